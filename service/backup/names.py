"""What a back-up is called, and which ones may go."""

from __future__ import annotations

import re
from collections.abc import Callable, Iterable
from dataclasses import dataclass
from datetime import UTC, datetime

__all__ = ["ENCRYPTED", "Keep", "made_at", "name_of", "to_drop"]

ENCRYPTED = ".age"
_NAME = re.compile(r"boothglass-(\d{8}T\d{6}Z)\.tar\.gz(\.age)?")
_STAMP = "%Y%m%dT%H%M%SZ"


@dataclass(frozen=True)
class Keep:
    """How many days, weeks and months of back-ups stay; the newest always does."""

    days: int = 7
    weeks: int = 4
    months: int = 12


def name_of(at: datetime, *, encrypted: bool) -> str:
    """Name of the back-up made at an instant (whole seconds, UTC)."""
    stamp = at.astimezone(UTC).strftime(_STAMP)
    return f"boothglass-{stamp}.tar.gz{ENCRYPTED if encrypted else ''}"


def made_at(name: str) -> datetime | None:
    """When a back-up was made, by its name; None where the name is not one of ours."""
    found = _NAME.fullmatch(name)
    if found is None:
        return None
    try:
        return datetime.strptime(found[1], _STAMP).replace(tzinfo=UTC)
    except ValueError:
        return None


def to_drop(names: Iterable[str], keep: Keep) -> list[str]:
    """Return the back-ups that need not be kept, oldest first.

    Of each of the last ``days`` days that have any, the newest stays; likewise of weeks and
    months. Names that are not ours are never among them.
    """
    dated = sorted(((at, name) for name in names if (at := made_at(name))), reverse=True)
    kept = {name for _, name in dated[:1]}
    for many, period in ((keep.days, _day), (keep.weeks, _week), (keep.months, _month)):
        kept |= _newest_of_each(dated, many, period)
    return [name for _, name in reversed(dated) if name not in kept]


def _newest_of_each(
    dated: list[tuple[datetime, str]], many: int, period: Callable[[datetime], object]
) -> set[str]:
    newest: dict[object, str] = {}
    for at, name in dated:  # newest first
        newest.setdefault(period(at), name)
    return set(list(newest.values())[:many])


def _day(at: datetime) -> object:
    return at.date()


def _week(at: datetime) -> object:
    return at.isocalendar()[:2]


def _month(at: datetime) -> object:
    return at.year, at.month
