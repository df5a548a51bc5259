"""The second table of dashboards/docs/faults.md: several workers, and all they stand on, killed.

    python deploy/crew_table.py [--strikes 100] [--workers 2]

It needs Mosquitto, PostgreSQL and what the tests need, breaks things for an hour or so, and writes
what it found between the markers of that page.
"""

from __future__ import annotations

import argparse
import os
import statistics
import sys
import tempfile
import time
from pathlib import Path

ROOT = Path(__file__).resolve().parents[1]
sys.path[:0] = [str(ROOT / "tests"), str(ROOT / "tests" / "faults")]

import crew_rig  # noqa: E402 -- it lies with the tests, which are no package
from crew_rig import Outcome  # noqa: E402

PAGE = ROOT / "dashboards" / "docs" / "faults.md"
BEGIN, END = "<!-- made by deploy/crew_table.py -->", "<!-- end of workers -->"
SEED = 100
STRIKES = ("what was done", "how often", "well again after, median", "at worst")
COUNTS = ("what", "how many", "lost", "doubled", "once more under the same id")


def strikes_table(took: list[tuple[str, float]]) -> list[tuple[str, ...]]:
    """Return a line for each kind of strike, and one for all."""
    by_kind = {kind: [s for what, s in took if what == kind] for kind in crew_rig.KINDS}
    by_kind["all"] = [seconds for _, seconds in took]
    return [
        (kind, str(len(each)), f"{statistics.median(each):.0f} s", f"{max(each):.0f} s")
        for kind, each in by_kind.items()
        if each
    ]


def counts_table(found: Outcome) -> list[tuple[str, ...]]:
    """Return a line for each thing that must be neither lost nor doubled."""
    lines = (
        ("readings that the broker took", found.taken, found.lost, found.twice, "-"),
        ("coats that the service said it had kept", found.taps, found.taps_lost, "-", "-"),
        ("notices due, in the record", found.due, found.not_written, found.written_twice, "-"),
        ("these, on MQTT", found.notices, found.heard_lost, "-", found.heard_again),
        (
            "these, by webhook",
            found.notices,
            found.posted_lost,
            found.posted_twice,
            found.posted_again,
        ),
    )
    return [tuple(f"{x:,}" if isinstance(x, int) else x for x in line) for line in lines]


def markdown(head: tuple[str, ...], lines: list[tuple[str, ...]]) -> str:
    """Return a table."""
    every = [head, ("---",) * len(head), *lines]
    return "\n".join(f"| {' | '.join(line)} |" for line in every)


def main() -> None:
    """Strike, count, and write the tables."""
    parser = argparse.ArgumentParser(description=(__doc__ or "").splitlines()[0])
    parser.add_argument("--strikes", type=int, default=100)
    parser.add_argument("--workers", type=int, default=2)
    parser.add_argument("--page", type=Path, default=PAGE)
    told = parser.parse_args()
    began = time.monotonic()
    with tempfile.TemporaryDirectory() as folder:
        took, found = crew_rig.strike(
            Path(folder),
            crew_rig.planned(told.strikes, SEED),
            SEED,
            told.workers,
            lambda kind, seconds: print(f"{kind}: {seconds:.1f} s", flush=True),
        )
    print(found, flush=True)
    minutes, cores = (time.monotonic() - began) / 60.0, os.cpu_count()
    note = (
        f"{told.strikes} strikes on {told.workers} workers, {minutes:.0f} minutes on {cores} cores "
        f"shared with other work; load at the end {os.getloadavg()[0]:.1f}. The broker forgot "
        f"{found.broker_lost} readings, {found.heard_broker_lost} notices. A rebuild finds flags "
        f"and roll-ups {'as they are' if found.equal else 'OTHERWISE'}."
    )
    tables = f"{markdown(STRIKES, strikes_table(took))}\n\n{markdown(COUNTS, counts_table(found))}"
    before, _, rest = told.page.read_text().partition(BEGIN)
    _, _, after = rest.partition(END)
    told.page.write_text(f"{before}{BEGIN}\n{tables}\n\n{note}\n{END}{after}")
    if not found.good:
        sys.exit("something was lost or doubled")


if __name__ == "__main__":
    main()
