"""The table of the page on corrections: how far an accepted jar is off, and how long it takes.

    python deploy/settling_table.py             print it
    python deploy/settling_table.py --write     write it into the page

Chance is seeded: the same code gives the same table.
"""

from __future__ import annotations

import sys
from dataclasses import replace
from itertools import product
from pathlib import Path

import numpy as np

from sensors.salt_jar import GREENSPAN, SaltJar
from service.shop.settled import settling

PAGE = Path(__file__).resolve().parents[1] / "dashboards" / "docs" / "corrections.md"
BEGIN, END = "<!-- table -->\n", "<!-- end of table -->\n"
LOOK_S = 300.0
TRIALS = 10

CASES: dict[str, list[SaltJar]] = {
    "usual: 5 to 60 min, noise 0.02 to 0.25 %, every 30 s or 5 min": [
        SaltJar(tau_min=(tau,), noise_pct=noise, every_s=every)
        for tau, noise, every in product((5.0, 15.0, 30.0, 60.0), (0.02, 0.1, 0.25), (30.0, 300.0))
    ],
    "a sluggish jar: 2 h": [SaltJar(tau_min=(120.0,))],
    "a tenth of the way creeps, 3 h": [SaltJar(tau_min=(10.0, 180.0), share=(0.9, 0.1))],
    "the same, 5 h": [SaltJar(tau_min=(10.0, 300.0), share=(0.9, 0.1))],
    "the same, 10 h": [SaltJar(tau_min=(10.0, 600.0), share=(0.9, 0.1))],
    "temperature drifts by 0.2 K/h": [
        SaltJar(start_c=21.5, drift_k_h=drift) for drift in (-0.2, 0.2)
    ],
    "temperature drifts by 0.6 K/h": [SaltJar(start_c=17.0, drift_k_h=0.6, hours=12.0)],
    "a sensor of whole per cents": [
        SaltJar(tau_min=(tau,), noise_pct=0.3, digit_pct=1.0) for tau in (10.0, 40.0)
    ],
}


def first_settled(jar: SaltJar) -> tuple[float, float] | None:
    """Hours until a look every five minutes finds it settled, and how far off it is then, % RH."""
    course = jar.course()
    for now_s in np.arange(600.0, jar.hours * 3600.0, LOOK_S).tolist():
        now = settling(course.time_s, course.rh_pct, course.air_c, since_s=0.0, now_s=now_s)
        if now.settled and now.rh_pct is not None:
            index = int(np.searchsorted(course.time_s, now_s, side="right")) - 1
            return now_s / 3600.0, now.rh_pct - float(course.truth_pct[index])
    return None


def table() -> str:
    """Return the table as Markdown."""
    lines = [
        "| jar and sensor | jars | settled | hours | off, root mean square | off, most |",
        "|---|---|---|---|---|---|",
    ]
    for name, jars in CASES.items():
        found = [
            first_settled(replace(jar, salt=salt, seed=seed))
            for jar, salt, seed in product(jars, GREENSPAN, range(TRIALS))
        ]
        done = [one for one in found if one is not None]
        if not done:
            lines.append(f"| {name} | {len(found)} | none | – | – | – |")
            continue
        hours, off = np.array(done).T
        share = "all" if len(done) == len(found) else f"{len(done)}"
        lines.append(
            f"| {name} | {len(found)} | {share} | {hours.min():.1f} to {hours.max():.1f}"
            f" | {np.sqrt(np.mean(off**2)):.2f} % | {np.abs(off).max():.2f} % |"
        )
    return "\n".join(lines) + "\n"


def main() -> None:
    """Print the table, or write it into the page."""
    made = table()
    if "--write" not in sys.argv:
        print(made)
        return
    text = PAGE.read_text(encoding="utf-8")
    before, rest = text.split(BEGIN)
    _, after = rest.split(END)
    PAGE.write_text(f"{before}{BEGIN}{made}{END}{after}", encoding="utf-8")


if __name__ == "__main__":
    main()
