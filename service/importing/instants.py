"""Instants as loggers write them, and local clocks that go through an hour twice, or never."""

from __future__ import annotations

import itertools
from collections.abc import Callable, Iterable, Iterator, Sequence
from dataclasses import dataclass
from datetime import UTC, datetime, timedelta, timezone, tzinfo
from typing import Generic, Literal, TypeVar
from zoneinfo import ZoneInfo, ZoneInfoNotFoundError

from service.importing.layout import ImportProblem

__all__ = ["AMBIGUOUS", "NEVER", "Parsed", "TimeForm", "find_form", "in_order", "zone_called"]

T = TypeVar("T")

SECONDS, MILLISECONDS, ISO = "seconds", "milliseconds", "ISO 8601"

_DATES = ("%d.%m.%Y", "%d/%m/%Y", "%m/%d/%Y", "%Y/%m/%d", "%d-%m-%Y", "%m-%d-%Y", "%d.%m.%y",
          "%d/%m/%y", "%m/%d/%y", "%Y.%m.%d", "%d %b %Y", "%b %d %Y")  # fmt: skip
_TIMES = ("%H:%M:%S", "%H:%M", "%I:%M:%S %p", "%I:%M %p", "%H:%M:%S.%f", "%H.%M.%S")
FORMATS = tuple(f"{d}{between}{t}" for d in _DATES for t in _TIMES for between in (" ", ", "))

AMBIGUOUS = "comes twice on that day, and the order of the rows does not tell which it is"
NEVER = "does not come on that day: the clock was put forward; was the logger's? see --zone"


@dataclass(frozen=True)
class TimeForm:
    """How instants are written: a ``strptime`` format, seconds, milliseconds or ISO 8601."""

    form: str

    def parse(self, text: str) -> datetime:
        """Read one, naive where it names no zone; ValueError where it is none."""
        if self.form in {SECONDS, MILLISECONDS}:
            seconds = float(text) / (1000.0 if self.form == MILLISECONDS else 1.0)
            try:
                return datetime(1970, 1, 1, tzinfo=UTC) + timedelta(seconds=seconds)
            except (OverflowError, ValueError) as error:
                raise ValueError(f"{text!r} is no instant") from error
        return datetime.fromisoformat(text) if self.form == ISO else _strptime(text, self.form)


def _strptime(text: str, form: str) -> datetime:
    # The zone is told apart from the text, so the instant is naive here unless the form has %z.
    return datetime.strptime(text, form)  # noqa: DTZ007


def zone_called(name: str) -> tzinfo:
    """Return a zone by its name, or a fixed offset such as ``+01:00``; ImportProblem if unknown."""
    if name[:1] in "+-":
        try:
            offset = _strptime(name, "%z").utcoffset()
        except ValueError:
            offset = None
        if offset is not None:
            return timezone(offset)
    try:
        return ZoneInfo(name)
    except (ZoneInfoNotFoundError, ValueError, OSError) as error:
        raise ImportProblem(
            "--zone", f"{name!r} is no zone; give Europe/Lisbon or its like, UTC, or +01:00"
        ) from error


def find_form(texts: Sequence[str]) -> TimeForm:
    """Find the one form in which every text can be read.

    Raises
    ------
    ImportProblem
        Where there is none, or where day and month might be either.
    """
    fitting = [form for form in _candidates(texts) if _fits(form, texts)]
    if not fitting:
        shown = ", ".join(repr(text) for text in texts[:3])
        raise ImportProblem(
            "--time", f"instants like {shown} are in no form that is known; give --time-format"
        )
    if len(fitting) > 1:
        # Of several readings, a logger's own is the one that goes forward in small steps.
        lengths = [_steps(form, texts) for form in fitting]
        best = min(lengths)
        fitting = [form for form, x in zip(fitting, lengths, strict=True) if x == best]
    if len({tuple(form.parse(text) for text in texts) for form in fitting}) > 1:
        raise ImportProblem(
            "--time-format",
            f"{texts[0]!r} may be {' or '.join(repr(form.form) for form in fitting)}; say which",
        )
    return fitting[0]


def _candidates(texts: Sequence[str]) -> Iterator[TimeForm]:
    try:
        numbers = [float(text) for text in texts]
    except ValueError:
        yield TimeForm(ISO)
        yield from (TimeForm(form) for form in FORMATS)
        return
    if numbers and all(1e8 <= number < 1e10 for number in numbers):
        yield TimeForm(SECONDS)
    elif numbers and all(1e11 <= number < 1e13 for number in numbers):
        yield TimeForm(MILLISECONDS)


def _fits(form: TimeForm, texts: Sequence[str]) -> bool:
    try:
        for text in texts:
            form.parse(text)
    except ValueError:
        return False
    return bool(texts)


def _steps(form: TimeForm, texts: Sequence[str]) -> tuple[int, timedelta]:
    """How unlike a logger's the instants go: steps back, and the way covered."""
    instants = [form.parse(text) for text in texts]
    gaps = [later - earlier for earlier, later in itertools.pairwise(instants)]
    back = sum(gap < timedelta(0) for gap in gaps)
    return min(back, len(gaps) - back), sum((abs(gap) for gap in gaps), timedelta(0))


@dataclass(frozen=True)
class Parsed(Generic[T]):
    """Something with its instant, in UTC; or with why it has none."""

    item: T
    at: datetime | None
    why: str = ""
    by_order: bool = False


def in_order(
    rows: Iterable[tuple[datetime, T]],
    zone: tzinfo,
    pick: Literal["earlier", "later"] | None = None,
) -> Iterator[Parsed[T]]:
    """Lay naive instants into a zone, in the order of the rows.

    In an hour that comes twice the rows are told apart by their order, if they go through it twice:
    the clock steps back once between them. If they do not, ``pick`` decides; without it they have
    no instant. Rows of such an hour wait until it is over, and nothing else does.
    """
    waiting: list[tuple[datetime, T]] = []
    for local, item in rows:
        if local.tzinfo is not None:
            yield from _told_apart(waiting, zone, pick)
            waiting = []
            yield Parsed(item, local.astimezone(UTC))
            continue
        first, second = (local.replace(tzinfo=zone, fold=fold) for fold in (0, 1))
        if first.utcoffset() == second.utcoffset():
            yield from _told_apart(waiting, zone, pick)
            waiting = []
            yield Parsed(item, first.astimezone(UTC))
        elif first.astimezone(UTC) > second.astimezone(UTC):
            yield Parsed(item, None, NEVER)
        else:
            waiting.append((local, item))
    yield from _told_apart(waiting, zone, pick)


def _told_apart(
    waiting: Sequence[tuple[datetime, T]],
    zone: tzinfo,
    pick: Literal["earlier", "later"] | None,
) -> Iterator[Parsed[T]]:
    back = [n for n in range(1, len(waiting)) if waiting[n][0] < waiting[n - 1][0]]
    fold_of: Callable[[int], int | None]
    if len(back) == 1:
        fold_of = lambda n: int(n >= back[0])  # noqa: E731
    else:
        chosen = None if pick is None else int(pick == "later")
        fold_of = lambda _n: chosen  # noqa: E731
    for n, (local, item) in enumerate(waiting):
        fold = fold_of(n)
        if fold is None:
            yield Parsed(item, None, AMBIGUOUS)
        else:
            at = local.replace(tzinfo=zone, fold=fold).astimezone(UTC)
            yield Parsed(item, at, by_order=len(back) == 1)
