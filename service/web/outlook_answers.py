"""What the API gives of the outlook and its spray windows, and the words for them."""

from __future__ import annotations

from collections.abc import Sequence
from datetime import UTC, datetime, timedelta
from typing import Literal

import numpy as np
from numpy.typing import NDArray
from pydantic import BaseModel, ConfigDict

from service.shop.outlook import PROBABILITIES
from service.shop.spray_check import SprayCheck
from service.shop.spray_windows import SprayWindow
from service.store.outlooks import Issue
from service.store.window_book import SprayOutlook
from service.web.models import Instant, WindowOut
from service.web.words import Words

__all__ = [
    "ForecastKeptOut",
    "HourOut",
    "OutlookOut",
    "WindowsOut",
    "best_today",
    "hours_of",
    "outlook_out",
    "stretch_words",
    "window_out",
    "window_words",
    "windows_out",
]


class _Out(BaseModel):
    model_config = ConfigDict(from_attributes=True)


class QuantilesOut(_Out):
    """A quantity at 10, 50 and 90 % probability."""

    p10: float
    p50: float
    p90: float


class HourOut(_Out):
    """The air expected at one instant; the margin is that of the air over its dew point."""

    at: Instant
    air_c: QuantilesOut
    dew_point_c: QuantilesOut
    margin_k: QuantilesOut


class OutlookOut(_Out):
    """The outlook of a place by the hour; ``why_none`` says why it is empty."""

    place: str
    issued_at: Instant | None
    fitted_at: Instant | None
    history_days: float | None
    why_none: str
    hours: list[HourOut]


class WindowsOut(_Out):
    """Spray windows over the next 48 h; ``text`` is the next one in words.

    ``why_none`` says why nothing can be told; where it is empty and there is no window, none is
    likely.
    """

    place: str
    material: str
    wet_um: float
    retarder_pct: float
    plate_mm: float
    answer_now: Literal["spray", "wait", "unknown"]
    issued_at: Instant | None
    why_none: str
    text: str
    windows: list[WindowOut]
    best_today: WindowOut | None


class ForecastKeptOut(_Out):
    """What became of a forecast that was sent: how many of its hours were new."""

    issued_at: Instant
    hours_new: int


def hours_of(issue: Issue) -> list[HourOut]:
    """Every hour of the next 48."""
    told = issue.quantiles
    places = [int(np.argmin(np.abs(PROBABILITIES - p))) for p in (0.1, 0.5, 0.9)]

    def at(values: NDArray[np.float64], hour: int) -> QuantilesOut:
        low, middle, high = (round(float(values[hour, place]), 2) for place in places)
        return QuantilesOut(p10=low, p50=middle, p90=high)

    begun = datetime.fromtimestamp(issue.issued_s, UTC)
    return [
        HourOut(
            at=begun + timedelta(hours=float(horizon_h)),
            air_c=at(told.air_c, hour),
            dew_point_c=at(told.dew_point_c, hour),
            margin_k=at(told.margin_k, hour),
        )
        for hour, horizon_h in enumerate(told.horizon_h)
    ]


def outlook_out(place_id: str, issue: Issue | None, why_none: str) -> OutlookOut:
    """The outlook of a place, or why there is none."""
    if issue is None:
        return OutlookOut(
            place=place_id,
            issued_at=None,
            fitted_at=None,
            history_days=None,
            why_none=why_none,
            hours=[],
        )
    return OutlookOut(
        place=place_id,
        issued_at=datetime.fromtimestamp(issue.issued_s, UTC),
        fitted_at=datetime.fromtimestamp(issue.model.fitted_s, UTC),
        history_days=round(issue.days, 2),
        why_none="",
        hours=hours_of(issue),
    )


def window_out(window: SprayWindow | None) -> WindowOut | None:
    """One window."""
    return None if window is None else WindowOut.model_validate(window)


def best_today(windows: Sequence[SprayWindow], words: Words, now: datetime) -> SprayWindow | None:
    """Return the window that begins today, in the shop's zone, with the most hours to expect."""
    today = now.astimezone(words.zone).date()
    own = [w for w in windows if w.start_at.astimezone(words.zone).date() == today]
    return max(own, key=lambda w: w.probability * w.hours, default=None)


def windows_out(
    place_id: str, check: SprayCheck, found: SprayOutlook, words: Words, now: datetime
) -> WindowsOut:
    """The windows of a place for a material and coat."""
    return WindowsOut(
        place=place_id,
        material=check.material_id,
        wet_um=check.coating.wet_um,
        retarder_pct=check.coating.retarder_pct,
        plate_mm=check.coating.plate_mm,
        answer_now=check.answer,
        issued_at=found.issued_at,
        why_none=found.why_none,
        text=window_words(found, words, now),
        windows=[WindowOut.model_validate(window) for window in found.windows],
        best_today=window_out(best_today(found.windows, words, now)),
    )


def window_words(found: SprayOutlook, words: Words, now: datetime) -> str:
    """Say the next window in one line."""
    if found.why_none:
        return words.say("No outlook: {why}.", why=words.local(found.why_none))
    window = found.next
    if window is None:
        return words.say("No spray window is likely in the next 48 h.")
    chance = f"({100 * window.probability:.0f} %)"
    if window.open_now:
        until = words.at(window.end_at, now)
        return words.say("Window open: likely until {until} {chance}", until=until, chance=chance)
    stretch = stretch_words(window, words, now)
    return words.say("Next window: {stretch} {chance}", stretch=stretch, chance=chance)


def stretch_words(window: SprayWindow, words: Words, now: datetime) -> str:
    """Say from when to when, the day once where both share it."""
    start, end = (at.astimezone(words.zone) for at in (window.start_at, window.end_at))
    said = words.at(window.start_at, now)
    if start.date() == now.astimezone(words.zone).date():
        said = words.say("today {clock}", clock=said)
    same = start.date() == end.date()
    until = words.clock(window.end_at) if same else words.at(window.end_at, now)
    return words.say("{start} to {end}", start=said, end=until)
