"""The import itself: the checks that MQTT readings pass, batches that land once, rejects kept."""

from __future__ import annotations

import itertools
from collections import Counter
from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass, field
from datetime import datetime

from sensors.wire import PayloadError
from service.importing.plan import Plan
from service.importing.rows import Read, read
from service.intake.check import checked, refusals
from service.store import readings, rejects
from service.store.db import Database
from service.store.readings import NewReading
from service.store.settling import settle_all
from service.store.tables import Reject

__all__ = ["Outcome", "bring_in"]

AT_ONCE = 2000
"""Rows in a commit, so that a sensor that reports meanwhile need not wait long."""

MOST_REJECTS = 1000
"""Rows of one import that are kept as rejects; all are counted, and the file has them still."""


@dataclass
class Outcome:
    """What became of a file's rows; ``reasons`` counts the refused by what was wrong."""

    rows: int = 0
    new: int = 0
    duplicates: int = 0
    empty: int = 0
    by_order: int = 0
    reasons: Counter[str] = field(default_factory=Counter)
    first_refused: dict[str, int] = field(default_factory=dict)
    first_at: datetime | None = None
    last_at: datetime | None = None

    @property
    def refused(self) -> int:
        """Rows that could not be used."""
        return self.reasons.total()


def bring_in(
    db: Database,
    plan: Plan,
    place: str,
    sensor: str | None,
    *,
    now: datetime,
    dry_run: bool = False,
    progress: Callable[[int], None] | None = None,
    settling: Callable[[int], None] | None = None,
) -> Outcome:
    """Bring a file into the record, and settle what it touched.

    Parameters
    ----------
    now : datetime
        When it is received.
    dry_run : bool
        Check everything, keep nothing.
    progress, settling : callable
        Told the line that was read last, and the hours that wait to be settled.
    """
    outcome = Outcome()
    for batch in _batches(read(plan, place, sensor)):
        good, bad = _sorted(batch, now, outcome)
        if not dry_run:
            _keep(db, plan, good, bad, now, outcome)
        else:
            _refuse(outcome, bad)
        if progress:
            progress(batch[-1].line)
    if not dry_run:
        settle_all(db, progress=settling)
    return outcome


def _batches(rows: Iterator[Read]) -> Iterator[list[Read]]:
    while batch := list(itertools.islice(rows, AT_ONCE)):
        yield batch


Bad = list[tuple[Read, PayloadError]]


def _sorted(
    batch: Sequence[Read], now: datetime, outcome: Outcome
) -> tuple[list[tuple[NewReading, Read]], Bad]:
    good: list[tuple[NewReading, Read]] = []
    bad: Bad = []
    for row in batch:
        outcome.rows += 1
        if row.problem is not None:
            bad.append((row, row.problem))
        elif row.report is None:
            outcome.empty += 1
        else:
            try:
                # An instant that is still to come was not measured, whatever the file says.
                checked(row.report, now=now)
                good.append((checked(row.report, now=row.received_at or now), row))
            except PayloadError as error:
                bad.append((row, error.with_traceback(None)))  # it would hold on to the batch
                continue
            outcome.by_order += row.by_order
            at = row.report.at
            outcome.first_at = min(outcome.first_at or at, at)
            outcome.last_at = max(outcome.last_at or at, at)
    return good, bad


def _keep(
    db: Database,
    plan: Plan,
    good: Sequence[tuple[NewReading, Read]],
    bad: Bad,
    now: datetime,
    outcome: Outcome,
) -> None:
    with db.write() as session:
        recorded = readings.record_batch(session, [reading for reading, _ in good])
        bad = bad + [(good[index][1], error) for index, error in refusals(recorded)]
        room = max(0, MOST_REJECTS - outcome.refused)
        for row, error in bad[:room]:
            rejects.keep(session, _reject(plan, row, error, now))
    outcome.new += recorded.new
    outcome.duplicates += recorded.duplicates
    _refuse(outcome, bad)


def _refuse(outcome: Outcome, bad: Bad) -> None:
    for row, error in bad:
        kind = f"{error.field}: {_kind(error.reason)}"
        outcome.reasons[kind] += 1
        outcome.first_refused.setdefault(kind, row.line)


def _kind(reason: str) -> str:
    """Return a reason without the value it speaks of, so that alike ones count together."""
    words = reason.split(" ")
    said = next((n for n, word in enumerate(words) if word in {"is", "lies", "comes", "does"}), 0)
    return " ".join(words[said:])


def _reject(plan: Plan, row: Read, error: PayloadError, now: datetime) -> Reject:
    text = plan.layout.delimiter.join(row.cells).encode("utf-8", "backslashreplace")
    return Reject(
        received_at=now,
        topic=f"import {plan.path.name}, line {row.line}",
        size_bytes=len(text),
        payload=text,
        field=error.field,
        reason=error.reason,
    )
