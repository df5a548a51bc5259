"""Measurements on their way to the broker: a small SQLite file that outlives process and power.

A measurement is written before anything else is done with it, and deleted when the broker has it.
One that was made before the board knew the time is kept without an instant, beside the reading of
the clock that only runs; it gets its instant when the time is known, if the board was not
restarted in between.
"""

from __future__ import annotations

import contextlib
import json
import logging
import sqlite3
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from sensors.node.chip import Measurement
from sensors.node.clock import Anchor, Moment
from sensors.node.stamp import NO_STAMP, Stamp, stamped

__all__ = ["Buffer", "Counts", "Kept", "StorageDamagedError", "StorageError"]

log = logging.getLogger(__name__)

SCHEMA = """
CREATE TABLE IF NOT EXISTS measurement (
    seq INTEGER PRIMARY KEY AUTOINCREMENT,
    boot TEXT NOT NULL,
    boot_ms INTEGER NOT NULL,
    at_ms INTEGER,
    air_c REAL NOT NULL,
    rh_pct REAL NOT NULL,
    pressure_pa REAL
) STRICT;
CREATE INDEX IF NOT EXISTS undated ON measurement (seq) WHERE at_ms IS NULL;
CREATE TABLE IF NOT EXISTS note (name TEXT PRIMARY KEY, value TEXT NOT NULL) STRICT;
"""

LOCKED_FOR_S = 10.0
ANCHOR_EVERY_MS = 3_600_000


class StorageError(RuntimeError):
    """The file cannot be written or read just now: the disk is full, or locked, or gone."""


class StorageDamagedError(RuntimeError):
    """The file is damaged. No later attempt can mend it; opening it anew sets it aside."""


@dataclass(frozen=True)
class Kept:
    """A measurement as it waits for the broker; ``at_ms`` is its instant, in ms since 1970."""

    seq: int
    at_ms: int
    air_c: float
    rh_pct: float
    pressure_pa: float | None


@dataclass(frozen=True)
class Counts:
    """How the file stands: waiting, waiting for the time, given up for room, never to be dated."""

    waiting: int
    undated: int
    dropped: int
    undatable: int


class Buffer:
    """The file; each thread opens one of its own.

    Parameters
    ----------
    path : Path
        Where it lies; made where it is not. A file that is damaged beyond reading is set aside.
    most_rows : int
        Beyond that the oldest is given up, and counted.
    longest_s : float
        What is older than the newest by more is given up, and counted.

    Raises
    ------
    StorageError, StorageDamagedError
        From every method, naming file and reason.
    """

    def __init__(self, path: Path, most_rows: int, longest_s: float) -> None:
        self._path, self._most_rows = path, most_rows
        self._longest_ms = round(longest_s * 1000)
        with _named(path):
            try:
                path.parent.mkdir(parents=True, exist_ok=True)
                self._db = _opened(path)
            except sqlite3.OperationalError:
                raise
            except sqlite3.DatabaseError as error:
                _set_aside(path, error)
                self._db = _opened(path)

    def keep(self, made: Measurement, moment: Moment) -> None:
        """Write one measurement, dated where the time is known, and make room."""
        with self._changing() as db:
            if moment.utc_ms is not None:
                self._date_those_that_wait(db, moment)
            at_ms = None if moment.utc_ms is None else self._next_at_ms(db, moment.utc_ms)
            db.execute(
                "INSERT INTO measurement (boot, boot_ms, at_ms, air_c, rh_pct, pressure_pa)"
                " VALUES (?, ?, ?, ?, ?, ?)",
                (moment.boot, moment.boot_ms, at_ms, made.air_c, made.rh_pct, made.pressure_pa),
            )
            self._make_room(db, at_ms)

    def oldest(self, most: int) -> list[Kept]:
        """Return the dated measurements that have waited longest, in the order they were made."""
        with self._reading() as db:
            rows = db.execute(
                "SELECT seq, at_ms, air_c, rh_pct, pressure_pa FROM measurement"
                " WHERE at_ms IS NOT NULL ORDER BY seq LIMIT ?",
                (most,),
            ).fetchall()
        return [Kept(*row) for row in rows]

    def forget(self, delivered: Sequence[Kept]) -> None:
        """Delete what the broker has acknowledged."""
        with self._changing() as db:
            db.executemany(
                "DELETE FROM measurement WHERE seq = ?", [(kept.seq,) for kept in delivered]
            )

    def counts(self) -> Counts:
        """Return how the file stands."""
        with self._reading() as db:
            waiting, undated = db.execute(
                "SELECT count(*), count(*) - count(at_ms) FROM measurement"
            ).fetchone()
            return Counts(
                waiting, undated, _noted(db, "dropped") or 0, _noted(db, "undatable") or 0
            )

    def anchor(self) -> Anchor | None:
        """Return the moment noted last at which the time was known."""
        with self._reading() as db:
            found = _noted(db, "anchor")
        return None if found is None else Anchor(*found)

    def note_anchor(self, anchor: Anchor | None) -> None:
        """Note such a moment, once an hour."""
        if anchor is None:
            return
        before = self.anchor()
        if before is not None and before.boot == anchor.boot:
            moved_ms = (anchor.boot_ms - before.boot_ms, anchor.utc_ms - before.utc_ms)
            if max(map(abs, moved_ms)) < ANCHOR_EVERY_MS:
                return
        with self._changing() as db:
            _note(db, "anchor", [anchor.boot, anchor.boot_ms, anchor.utc_ms])

    def heated_ms(self, boot: str) -> int | None:
        """Return when the chip was heated last, by the running clock of this boot."""
        with self._reading() as db:
            found = _noted(db, "heated")
        return found[1] if found is not None and found[0] == boot else None

    def note_heated(self, moment: Moment) -> None:
        """Note that the chip is warm now: what comes after a crash must know."""
        with self._changing() as db:
            _note(db, "heated", [moment.boot, moment.boot_ms])

    def close(self) -> None:
        """Close the file."""
        self._db.close()

    def _date_those_that_wait(self, db: sqlite3.Connection, moment: Moment) -> None:
        lost = db.execute(
            "DELETE FROM measurement WHERE at_ms IS NULL AND boot != ?", (moment.boot,)
        ).rowcount
        if lost:
            _note(db, "undatable", (_noted(db, "undatable") or 0) + lost)
            log.warning("measurements=%d of an earlier start have no time and are given up", lost)
        waiting = db.execute(
            "SELECT seq, boot_ms FROM measurement WHERE at_ms IS NULL ORDER BY seq"
        ).fetchall()
        for seq, boot_ms in waiting:
            utc_ms = (moment.utc_ms or 0) - (moment.boot_ms - boot_ms)
            db.execute(
                "UPDATE measurement SET at_ms = ? WHERE seq = ?",
                (self._next_at_ms(db, utc_ms), seq),
            )
        if waiting:
            log.info("measurements=%d have got their time", len(waiting))

    def _next_at_ms(self, db: sqlite3.Connection, utc_ms: int) -> int:
        found = _noted(db, "stamp")
        stamp = stamped(NO_STAMP if found is None else Stamp(*found), utc_ms)
        _note(db, "stamp", list(stamp))
        return stamp.at_ms

    def _make_room(self, db: sqlite3.Connection, newest_ms: int | None) -> None:
        # Rows leave from the front only, so that the newest number tells how many there are.
        dropped = db.execute(
            "DELETE FROM measurement WHERE seq <= (SELECT max(seq) FROM measurement) - ?",
            (self._most_rows,),
        ).rowcount
        if newest_ms is not None:
            (oldest_ms,) = db.execute(
                "SELECT at_ms FROM measurement ORDER BY seq LIMIT 1"
            ).fetchone()
            if oldest_ms is not None and oldest_ms < newest_ms - self._longest_ms:
                dropped += db.execute(
                    "DELETE FROM measurement WHERE at_ms < ?", (newest_ms - self._longest_ms,)
                ).rowcount
        if dropped:
            total = (_noted(db, "dropped") or 0) + dropped
            _note(db, "dropped", total)
            log.warning("measurements=%d are given up for room, total=%d", dropped, total)

    @contextlib.contextmanager
    def _changing(self) -> Iterator[sqlite3.Connection]:
        with self._reading() as db:
            db.execute("BEGIN IMMEDIATE")
            try:
                yield db
                db.execute("COMMIT")
            except BaseException:
                with contextlib.suppress(sqlite3.Error):
                    db.execute("ROLLBACK")
                raise

    @contextlib.contextmanager
    def _reading(self) -> Iterator[sqlite3.Connection]:
        with _named(self._path):
            yield self._db


@contextlib.contextmanager
def _named(path: Path) -> Iterator[None]:
    try:
        yield
    except OSError as error:
        raise StorageError(f"{error.filename or path}: {error.strerror or error}") from error
    except sqlite3.OperationalError as error:
        raise StorageError(f"{path}: {error}") from error
    except sqlite3.DatabaseError as error:
        raise StorageDamagedError(f"{path}: {error}") from error


def _opened(path: Path) -> sqlite3.Connection:
    db = sqlite3.connect(path, timeout=LOCKED_FOR_S, isolation_level=None, check_same_thread=False)
    try:
        db.execute("PRAGMA journal_mode=WAL")
        # A power cut must not undo what was promised: every commit reaches the card.
        db.execute("PRAGMA synchronous=FULL")
        (verdict,) = db.execute("PRAGMA quick_check(1)").fetchone()
        if verdict != "ok":
            raise sqlite3.DatabaseError(verdict)
        db.executescript(SCHEMA)
    except sqlite3.Error:
        db.close()
        raise
    return db


def _set_aside(path: Path, reason: sqlite3.Error) -> None:
    number = 1
    while (aside := path.with_name(f"{path.name}.damaged-{number}")).exists():
        number += 1
    path.rename(aside)
    for tail in ("-wal", "-shm"):
        path.with_name(path.name + tail).unlink(missing_ok=True)
    log.error("file=%s is damaged (%s) and is set aside as %s", path, reason, aside.name)


def _noted(db: sqlite3.Connection, name: str) -> Any:
    row = db.execute("SELECT value FROM note WHERE name = ?", (name,)).fetchone()
    return None if row is None else json.loads(row[0])


def _note(db: sqlite3.Connection, name: str, value: Any) -> None:
    db.execute(
        "INSERT INTO note VALUES (?, ?) ON CONFLICT (name) DO UPDATE SET value = excluded.value",
        (name, json.dumps(value)),
    )
