"""The board's clocks: one that only runs, and one that knows the time once somebody vouches for it.

A small board has no clock that runs without power: it wakes in the past, and learns the time from
the network some while later, in one step. An instant is taken for true only while the kernel says
that its clock is disciplined. In between, it is carried on by the clock that only runs.
"""

from __future__ import annotations

import ctypes
import time
from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path
from typing import Protocol

__all__ = ["Anchor", "BoardClock", "Clock", "Moment", "kernel_is_disciplined"]

EARLIEST_UTC_MS = 1_735_689_600_000
"""2025-01-01T00:00:00Z: before that no such board ran this program."""

LOST_DISCIPLINE_US = 16_000_000
"""The kernel's own bound: its error estimate stops growing there and counts as unknown."""


@dataclass(frozen=True)
class Moment:
    """Now, by the clock that only runs (since ``boot``), and in UTC where that can be trusted."""

    boot: str
    boot_ms: int
    utc_ms: int | None


@dataclass(frozen=True)
class Anchor:
    """An instant at which both clocks were read, and UTC could be trusted."""

    boot: str
    boot_ms: int
    utc_ms: int


class Clock(Protocol):
    """What tells the node the time."""

    @property
    def anchor(self) -> Anchor | None:
        """The last moment at which UTC could be trusted, in this run of the board."""

    def resume(self, anchor: Anchor | None) -> None:
        """Take an anchor of an earlier process; one of another boot is passed over."""

    def now(self) -> Moment:
        """Return the present moment."""


class _Timex(ctypes.Structure):
    # The kernel's struct begins like this; it has room to write the rest.
    _fields_ = (
        ("modes", ctypes.c_uint),
        ("offset", ctypes.c_long),
        ("freq", ctypes.c_long),
        ("maxerror", ctypes.c_long),
        ("rest", ctypes.c_byte * 512),
    )


def kernel_is_disciplined() -> bool:
    """Whether something (an NTP client, as a rule) keeps the system's clock right.

    The bound of the error is asked for, not the flag beside it, which some clients leave alone.
    Reading needs no privilege.
    """
    timex = _Timex()
    try:
        state = ctypes.CDLL(None).adjtimex(ctypes.byref(timex))
    except (OSError, AttributeError):  # not Linux
        return False
    return bool(state != -1 and timex.maxerror < LOST_DISCIPLINE_US)


def _boot_id() -> str:
    return Path("/proc/sys/kernel/random/boot_id").read_text().strip()


class BoardClock:
    """The clocks of this machine.

    Parameters
    ----------
    trusted : bool
        Take the system's clock for true in any case: for a board with a clock of its own that is
        set by other means.
    is_disciplined, utc_ns, boot_ns, boot : optional
        Where the figures come from; by default the kernel.
    """

    def __init__(
        self,
        *,
        trusted: bool = False,
        is_disciplined: Callable[[], bool] = kernel_is_disciplined,
        utc_ns: Callable[[], int] = time.time_ns,
        boot_ns: Callable[[], int] = lambda: time.clock_gettime_ns(time.CLOCK_BOOTTIME),
        boot: str | None = None,
    ) -> None:
        self._trusted = trusted
        self._is_disciplined, self._utc_ns, self._boot_ns = is_disciplined, utc_ns, boot_ns
        self._boot = _boot_id() if boot is None else boot
        self._anchor: Anchor | None = None

    @property
    def anchor(self) -> Anchor | None:
        """The last moment at which UTC could be trusted, in this run of the board."""
        return self._anchor

    def resume(self, anchor: Anchor | None) -> None:
        """Take an anchor of an earlier process; one of another boot is passed over."""
        if anchor is not None and anchor.boot == self._boot:
            self._anchor = anchor

    def now(self) -> Moment:
        """Return the present moment."""
        boot_ms, utc_ms = self._boot_ns() // 1_000_000, self._utc_ns() // 1_000_000
        if utc_ms >= EARLIEST_UTC_MS and (self._trusted or self._is_disciplined()):
            self._anchor = Anchor(self._boot, boot_ms, utc_ms)
        elif self._anchor is None:
            return Moment(self._boot, boot_ms, None)
        else:
            utc_ms = self._anchor.utc_ms + boot_ms - self._anchor.boot_ms
        return Moment(self._boot, boot_ms, utc_ms)
