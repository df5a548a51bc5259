"""The one clock. Nothing else in the service asks the machine for the time.

A :class:`WallClock` tells the real time. A :class:`DrivenClock` runs at 1x to 3600x from a chosen
instant, and may be jumped forward, so that a demo, a replay or a test lives through a week in
minutes. Its anchor is kept in a file: after a restart it goes on from where it would be now.
"""

from __future__ import annotations

import json
import threading
import time
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import TYPE_CHECKING, Protocol

if TYPE_CHECKING:
    from service.settings import Settings

__all__ = ["MAX_RATE", "Clock", "ClockError", "DrivenClock", "WallClock", "make_clock"]

MAX_RATE = 3600.0
"""Fastest drive: an hour a second."""


class ClockError(ValueError):
    """A clock was asked to do what clocks do not do."""


class Clock(Protocol):
    """What every room is given to tell the time by."""

    @property
    def rate(self) -> float:
        """Seconds of shop time in one real second."""

    @property
    def driven(self) -> bool:
        """Whether rate and time may be set from outside."""

    def now(self) -> datetime:
        """Return the present instant, aware and in UTC."""


class WallClock:
    """The machine's own time."""

    rate = 1.0
    driven = False

    def now(self) -> datetime:
        """Return the present instant, aware and in UTC."""
        return datetime.now(UTC)


class DrivenClock:
    """Shop time that runs at its own rate from an anchor.

    Parameters
    ----------
    start : datetime
        Shop time at first start; ignored where ``anchor_file`` already holds an anchor.
    rate : float
        Seconds of shop time in a real second, 1 to 3600.
    anchor_file : Path, optional
        Where the anchor is kept between runs.

    Raises
    ------
    ClockError
        If the rate is out of range, ``start`` is naive, or a jump would go back in time.
    """

    driven = True

    def __init__(self, start: datetime, rate: float, anchor_file: Path | None = None) -> None:
        self._lock = threading.Lock()
        self._file = anchor_file
        kept = self._read()
        if kept is None:
            self._anchor(_aware(start), _checked_rate(rate))
        else:
            self._shop_at, self._real_at, self._rate = kept
            if rate != self._rate:
                self.drive(rate=rate)

    @property
    def rate(self) -> float:
        """Seconds of shop time in one real second."""
        return self._rate

    def now(self) -> datetime:
        """Return the present shop time, aware and in UTC."""
        with self._lock:
            return self._now()

    def drive(self, *, now: datetime | None = None, rate: float | None = None) -> None:
        """Jump forward to ``now`` and/or change the rate, and keep the new anchor."""
        with self._lock:
            here = self._now()
            target = here if now is None else _aware(now)
            if target < here:
                raise ClockError(
                    f"now: {target.isoformat()} is before the shop's time {here.isoformat()}; "
                    "a clock is only driven forward"
                )
            self._anchor(target, self._rate if rate is None else _checked_rate(rate))

    def _now(self) -> datetime:
        # A wall clock stepped back must not turn shop time back with it.
        real_elapsed = max(0.0, time.time() - self._real_at)
        return self._shop_at + timedelta(seconds=real_elapsed * self._rate)

    def _anchor(self, shop_at: datetime, rate: float) -> None:
        self._shop_at, self._real_at, self._rate = shop_at, time.time(), rate
        if self._file is None:
            return
        self._file.parent.mkdir(parents=True, exist_ok=True)
        draft = self._file.with_suffix(".new")
        draft.write_text(
            json.dumps(
                {"shop_at": shop_at.isoformat(), "real_at_s": self._real_at, "rate": self._rate}
            )
        )
        draft.replace(self._file)

    def _read(self) -> tuple[datetime, float, float] | None:
        if self._file is None or not self._file.exists():
            return None
        try:
            kept = json.loads(self._file.read_text())
            return (
                _aware(datetime.fromisoformat(kept["shop_at"])),
                float(kept["real_at_s"]),
                _checked_rate(float(kept["rate"])),
            )
        except (ValueError, KeyError, TypeError) as error:
            raise ClockError(
                f"{self._file}: the kept clock anchor cannot be read ({error}); "
                "remove the file to start the clock anew"
            ) from error


def _checked_rate(rate: float) -> float:
    if not 1.0 <= rate <= MAX_RATE:
        raise ClockError(f"rate: {rate:g} is outside 1 to {MAX_RATE:g}")
    return float(rate)


def _aware(instant: datetime) -> datetime:
    if instant.tzinfo is None:
        raise ClockError(f"now: {instant.isoformat()} has no time zone; add Z or an offset")
    return instant.astimezone(UTC)


def make_clock(settings: Settings) -> Clock:
    """Return the machine's clock, or a driven one where a rate or start is set."""
    if settings.clock_rate is None and settings.clock_start is None:
        return WallClock()
    start = settings.clock_start or datetime.now(UTC)
    return DrivenClock(start, settings.clock_rate or 1.0, settings.data / "clock.json")
