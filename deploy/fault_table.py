"""The table of dashboards/docs/faults.md: what became of the readings under every fault.

    python deploy/fault_table.py [--rounds 50]

It needs Mosquitto and what the tests need, breaks things for a quarter of an hour, and writes what
it found between the markers of that page. ``--rounds`` is how often service and broker are killed;
the slow faults strike a tenth as often.
"""

from __future__ import annotations

import argparse
import os
import sys
import tempfile
import time
from collections.abc import Callable
from concurrent.futures import ThreadPoolExecutor
from pathlib import Path

ROOT = Path(__file__).resolve().parents[1]
sys.path[:0] = [str(ROOT / "tests"), str(ROOT / "tests" / "faults")]

import scenarios  # noqa: E402 -- it lies with the tests, which are no package
from scenarios import Told  # noqa: E402

PAGE = ROOT / "dashboards" / "docs" / "faults.md"
BEGIN, END = "<!-- made by deploy/fault_table.py -->", "<!-- end -->"
COLUMNS = (
    "fault",
    "how it was made",
    "rounds",
    "readings sent",
    "acknowledged by the service",
    "of these lost",
    "landed twice",
    "set aside, with the reason",
    "lost by the broker",
    "flags and roll-ups equal a rebuild",
    "whole again after",
)
AT_ONCE = 3
"""Rigs at work at the same time; most of what they do is to wait."""

OFTEN = (scenarios.service_killed, scenarios.broker_killed)


def cells(told: Told) -> tuple[str, ...]:
    """Return a line's cells."""
    found = told.outcome
    numbers = (
        told.rounds,
        found.sent,
        found.acknowledged,
        found.lost,
        found.twice,
        found.set_aside,
        found.broker_lost,
    )
    return (
        told.fault,
        told.how,
        *(f"{number:,}" for number in numbers),
        "yes" if found.equal else "NO",
        f"{found.whole_after_s:.0f} s",
    )


def table(every: list[Told]) -> str:
    """Return the table in Markdown."""
    lines = [COLUMNS, ("---",) * len(COLUMNS), *(cells(told) for told in every)]
    return "\n".join(f"| {' | '.join(line)} |" for line in lines)


def strike(run: Callable[[Path, int], Told], rounds: int) -> Told:
    """Run one fault in a folder of its own."""
    with tempfile.TemporaryDirectory() as folder:
        told = run(Path(folder), rounds if run in OFTEN else max(1, rounds // 10))
    print(" | ".join(cells(told)), flush=True)
    return told


def main() -> None:
    """Run every fault and write the table."""
    parser = argparse.ArgumentParser(description=(__doc__ or "").splitlines()[0])
    parser.add_argument("--rounds", type=int, default=50)
    rounds = parser.parse_args().rounds
    began = time.monotonic()
    with ThreadPoolExecutor(AT_ONCE) as pool:
        every = list(pool.map(lambda run: strike(run, rounds), scenarios.ALL))
    minutes, cores = (time.monotonic() - began) / 60.0, os.cpu_count()
    note = f"{minutes:.0f} minutes on {cores} cores; load at the end {os.getloadavg()[0]:.1f}."
    before, _, rest = PAGE.read_text().partition(BEGIN)
    _, _, after = rest.partition(END)
    PAGE.write_text(f"{before}{BEGIN}\n{table(every)}\n\n{note}\n{END}{after}")
    if not all(told.outcome.good for told in every):
        sys.exit("readings were lost, doubled, or flags and roll-ups are not those of a rebuild")


if __name__ == "__main__":
    main()
