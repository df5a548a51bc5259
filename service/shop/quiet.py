"""Quiet hours: when somebody is not to be disturbed, by the clock on the wall."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import UTC, datetime, time, timedelta, tzinfo

__all__ = ["QuietHours"]


@dataclass(frozen=True)
class QuietHours:
    """From one local time to another, over midnight where the end is the earlier one.

    Membership goes by what the wall clock shows, so a night in which clocks change is as long as it
    is. ``begin`` belongs to it, ``end`` does not.

    Raises
    ------
    ValueError
        If both are the same: that would be never or always.
    """

    begin: time
    end: time

    def __post_init__(self) -> None:
        if self.begin == self.end:
            raise ValueError("quiet hours begin and end at the same time")

    def holds(self, at: datetime, zone: tzinfo) -> bool:
        """Whether it is quiet at an aware instant."""
        wall = at.astimezone(zone).time()
        if self.begin < self.end:
            return self.begin <= wall < self.end
        return wall >= self.begin or wall < self.end

    def release(self, at: datetime, zone: tzinfo) -> datetime:
        """Return the first instant from ``at`` on that is not quiet, in UTC.

        Where clocks jump over the end, that is the end by the clock from before the jump: never
        within the quiet hours, and late by no more than the jump.
        """
        if not self.holds(at, zone):
            return at
        today = at.astimezone(zone).date()
        # Where clocks go back the end comes twice, and after the first it may be quiet again.
        ends = [
            datetime.combine(today + timedelta(days=day), self.end, zone).replace(fold=fold)
            for day in (0, 1, 2)
            for fold in (0, 1)
        ]
        instants = sorted(end.astimezone(UTC) for end in ends)
        return next(i for i in instants if i > at and not self.holds(i, zone))
