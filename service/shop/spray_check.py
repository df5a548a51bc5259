"""The spray check: may this material be sprayed in this air, why, and what would change it."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, replace
from datetime import datetime, timedelta
from typing import Literal

import numpy as np

from service.science import film
from service.shop.air import Air
from service.shop.gauges import CAUTIOUS_Z, Cases, Gauge, gauges_of
from service.shop.materials import Coating, Material
from service.shop.projection import ReadyTime
from service.shop.said import say
from service.shop.warming import ColdWork, colder
from service.shop.ways_out import WayOut, ways_out
from service.shop.wet import Beyond, beyond_model

__all__ = ["Answer", "Reason", "Reckoned", "Reckoner", "SprayCheck", "check", "reckoned"]

Answer = Literal["spray", "wait", "unknown"]

_PULLED_DOWN = ("blush_margin", "haze_margin", "dew_point_margin")
"""Margins that cold work makes small."""


@dataclass(frozen=True)
class Reason:
    """One limit, what was measured against it, and whether it stands in the way."""

    what: str
    text: str
    value: float | None
    limit: float | None
    unit: str
    source: str
    blocks: bool
    until: datetime | None = None
    """When it is reckoned to stand in the way no more, where that is known."""


@dataclass(frozen=True)
class Reckoned:
    """The costly part of a check: film, limits and ways out. It does not age with the reading."""

    cases: Cases
    gauges: tuple[Gauge, ...]
    ways_out: tuple[WayOut, ...]


def reckoned(air: Air, material: Material, coating: Coating, after_wait: bool) -> Reckoned:  # noqa: FBT001 -- one meaning
    """Reckon film, limits and ways out for the air of a place."""
    cases = Cases.of(air, material, coating)
    gauges = gauges_of(cases, after_wait=after_wait)
    return Reckoned(cases, gauges, ways_out(cases, gauges))


Reckoner = Callable[[Air, Material, Coating, bool], Reckoned]


@dataclass(frozen=True)
class SprayCheck:
    """The answer with everything it rests on.

    ``reasons`` stand in order of weight: blocking ones first, the furthest beyond its limit
    first. ``air`` is the place's. ``film_floor_c``, ``blush_margin_k``, ``blush_probability`` and
    ``haze_margin_k`` are None where the air is unknown or the material does not blush.
    """

    answer: Answer
    material_id: str
    coating: Coating
    reasons: tuple[Reason, ...]
    ways_out: tuple[WayOut, ...]
    air: Air | None
    as_of: datetime | None
    film_floor_c: float | None = None
    blush_margin_k: float | None = None
    blush_margin_sd_k: float | None = None
    blush_probability: float | None = None
    haze_margin_k: float | None = None
    condensed_at_set_g_m2: float | None = None
    flash_off_s: float | None = None
    cold_surface_c: float | None = None
    """Reckoned surface of a piece that came in cold, where that and not the place's counted."""

    @property
    def surface_c(self) -> float | None:
        """Surface that the check rests on."""
        if self.cold_surface_c is not None:
            return self.cold_surface_c
        return None if self.air is None else self.air.surface_c

    @property
    def main_reason(self) -> Reason | None:
        """The weightiest reason."""
        return self.reasons[0] if self.reasons else None


def check(
    air: Air | None,
    material: Material,
    coating: Coating,
    *,
    stale_after_s: float,
    previous: Answer | None = None,
    recoat: ReadyTime | None = None,
    cold: ColdWork | None = None,
    reckon: Reckoner = reckoned,
) -> SprayCheck:
    """Answer *spray*, *wait* or *unknown*.

    Parameters
    ----------
    air : Air or None
        The place's air now; None where it never had a reading.
    material, coating
        What would be sprayed, and how.
    stale_after_s : float
        Age at which a reading no longer counts.
    previous : {"spray", "wait", "unknown"}, optional
        The last answer for this place and material: after *wait* each limit must be cleared by
        a little more, so that the answer does not flicker.
    recoat : ReadyTime, optional
        The mark that the instrument's last coat must have reached.
    cold : ColdWork, optional
        A piece that came in cold: of its reckoned surface and the measured ones the coldest counts.
    reckon : callable
        Stands in for :func:`reckoned` where its results are kept.

    Returns
    -------
    SprayCheck
        Never *spray* without fresh and uncontradicted air.
    """
    if air is None:
        return _unknown(material, coating, None, _no_reading(stale_after_s))
    if air.trouble is not None:
        return _unknown(material, coating, air, _trouble(air, stale_after_s))
    if cold is not None and cold.surface_c >= air.surface_c:
        cold = None
    if cold is not None and cold.surface_c < film.AIR_MIN_C <= min(air.air_c, air.surface_c):
        return _far_too_cold(air, material, coating, cold, stale_after_s)
    at_work = air if cold is None else colder(air, cold)
    if beyond := beyond_model(air.air_c, at_work.surface_c, coating, air.pressure_pa):
        return _unknown(material, coating, air, _out_of_model(beyond))

    film_side = reckon(at_work, material, coating, previous == "wait")
    cases, gauges = film_side.cases, film_side.gauges
    reasons = [_reason(gauge) for gauge in gauges]
    reasons.append(_age(air, stale_after_s))
    warm_at = None
    if cold is not None:
        warm_at = _warm_at(cold, cases, gauges)
        reasons.append(_cold(cold, air, material, warm_at))
    if recoat is not None:
        reasons.append(_recoat(recoat))
    # To wait for cold work, with its time, says the same and more.
    helps = tuple(w for w in film_side.ways_out if warm_at is None or w.kind != "warm_work")
    ordered = _by_weight(reasons, gauges)
    blocked = any(reason.blocks for reason in ordered)
    return SprayCheck(
        answer="wait" if blocked else "spray",
        material_id=material.id,
        coating=coating,
        reasons=ordered,
        ways_out=(*_wait_for(recoat), *_wait_to_warm(warm_at), *helps),
        air=air,
        as_of=air.as_of,
        film_floor_c=cases.film_floor_c,
        blush_margin_k=cases.blush_margin_k,
        blush_margin_sd_k=float(cases.blush_sd_k[0]),
        blush_probability=cases.blush_probability,
        haze_margin_k=cases.haze_margin_k,
        condensed_at_set_g_m2=cases.condensed_at_set_g_m2,
        flash_off_s=cases.flash_off_s,
        cold_surface_c=None if cold is None else cold.surface_c,
    )


def _reason(gauge: Gauge) -> Reason:
    return Reason(
        what=gauge.what,
        text=gauge.text(0),
        value=gauge.value_at(0),
        limit=gauge.limit_at(0),
        unit=gauge.unit,
        source=gauge.source,
        blocks=not gauge.holds(0),
    )


def _by_weight(reasons: list[Reason], gauges: tuple[Gauge, ...]) -> tuple[Reason, ...]:
    slack = {gauge.what: gauge.slack(0) for gauge in gauges}
    # Cold work is what pulls these two down: the cause stands before them.
    slack["cold_work"] = min(slack[w] for w in _PULLED_DOWN if w in slack)
    slack["cold_work"] -= 0.01
    if "haze_margin" in slack and slack["blush_margin"] < 0.0:
        # Dew in the film says it all: what the film took up besides stands behind it.
        slack["haze_margin"] = max(slack["haze_margin"], slack["blush_margin"] + 0.01)
    return tuple(sorted(reasons, key=lambda r: (not r.blocks, slack.get(r.what, 9.0))))


def _age(air: Air, stale_after_s: float) -> Reason:
    return Reason(
        what="reading_age",
        text=say("last reading {age_s:.0f} s old", age_s=air.age_s),
        value=air.age_s,
        limit=stale_after_s,
        unit="s",
        source=say("shop setting"),
        blocks=False,
    )


def _recoat(recoat: ReadyTime) -> Reason:
    wait = not recoat.reached
    return Reason(
        what="recoat_mark",
        text=(
            say(
                "the last coat is {clock:.0%} of the way to its {mark} mark",
                clock=recoat.clock,
                mark=recoat.mark,
            )
            if wait
            else say("the last coat has passed its {mark} mark", mark=recoat.mark)
        ),
        value=round(recoat.clock, 4),
        limit=1.0,
        unit="of the wait",
        source=recoat.basis,
        blocks=wait,
    )


def _wait_for(recoat: ReadyTime | None) -> tuple[WayOut, ...]:
    if recoat is None or recoat.reached:
        return ()
    text = say("wait for the last coat to reach its {mark} mark", mark=recoat.mark)
    return (WayOut("wait", text, None, "", until=recoat.ready_at),)


def _cold(cold: ColdWork, air: Air, material: Material, warm_at: datetime | None) -> Reason:
    limit = material.limits.dew_point_margin_k
    part = "work" if cold.part == "body" else cold.part
    text = say(
        "the {part} came in cold and is reckoned at {surface_c:.1f} °C",
        part=part,
        surface_c=cold.surface_c,
    )
    margin = None if air.dew_point_c is None else cold.surface_c - air.dew_point_c
    if margin is not None:
        side = "above" if margin >= 0.0 else "below"
        text = say(
            "{text}, {margin:.1f} K {side} the dew point", text=text, margin=abs(margin), side=side
        )
        if margin < 0.0:
            text = say("{text}: water condenses on it", text=text)
    return Reason(
        what="cold_work",
        text=text,
        value=margin,
        limit=limit.value,
        unit="K",
        source=limit.basis,
        blocks=margin is not None and margin < limit.value,
        until=warm_at,
    )


def _warm_at(cold: ColdWork, cases: Cases, gauges: tuple[Gauge, ...]) -> datetime | None:
    """When the work, warming in the air as it is, clears every limit; None where it never does."""
    if all(gauge.holds(0) for gauge in gauges):
        return None
    usable = cold.ahead_c >= film.AIR_MIN_C
    warmer = cases.changed(surface_c=np.minimum(cold.ahead_c[usable], cases.air.air_c))
    holds = np.all([g.all_hold() for g in gauges_of(warmer, after_wait=True)], axis=0)
    if not holds.any():
        return None
    return cold.now + timedelta(seconds=float(cold.ahead_s[usable][int(np.argmax(holds))]))


def _wait_to_warm(warm_at: datetime | None) -> tuple[WayOut, ...]:
    if warm_at is None:
        return ()
    text = say("wait for the work to warm up, out of its case; wipe off water that condensed on it")
    return (WayOut("wait", text, None, "", until=warm_at),)


def _far_too_cold(
    air: Air, material: Material, coating: Coating, cold: ColdWork, stale_after_s: float
) -> SprayCheck:
    """Answer for work that is colder than the film is reckoned for: it waits."""
    told = _cold(cold, air, material, None)
    reason = replace(
        told,
        text=say(
            "{text}; at {air_min_c:g} °C at least it can be judged",
            text=told.text,
            air_min_c=film.AIR_MIN_C,
        ),
        value=cold.surface_c,
        limit=film.AIR_MIN_C,
        unit="°C",
        source=say("range of the film model"),
        blocks=True,
    )
    text = say("let the work warm up to the air, out of its case")
    return SprayCheck(
        answer="wait",
        material_id=material.id,
        coating=coating,
        reasons=(reason, _age(air, stale_after_s)),
        ways_out=(WayOut("wait", text, None, "", until=cold.near_at),),
        air=air,
        as_of=air.as_of,
        cold_surface_c=cold.surface_c,
    )


def _no_reading(stale_after_s: float) -> Reason:
    return Reason(
        "reading_age",
        say("no reading has come from this place"),
        None,
        stale_after_s,
        "s",
        say("shop setting"),
        blocks=True,
    )


def _trouble(air: Air, stale_after_s: float) -> Reason:
    stale = air.age_s > stale_after_s
    return Reason(
        what="reading_age" if stale else "sensor_trust",
        text=air.trouble or "",
        value=air.age_s if stale else None,
        limit=stale_after_s if stale else None,
        unit="s" if stale else "",
        source=say("shop setting")
        if stale
        else say("sensor uncertainty, {cautious_z:g} sd and more", cautious_z=CAUTIOUS_Z),
        blocks=True,
    )


def _out_of_model(beyond: Beyond) -> Reason:
    return Reason(
        "film_model_range",
        say(
            "{name} of {value:g} {unit} is outside what the film is reckoned for",
            name=beyond.name,
            value=beyond.value,
            unit=beyond.unit,
        ),
        beyond.value,
        beyond.limit,
        beyond.unit,
        say("range of the film model"),
        blocks=True,
    )


def _unknown(material: Material, coating: Coating, air: Air | None, reason: Reason) -> SprayCheck:
    way = WayOut(
        "reading",
        say("bring a fresh reading: look at the sensor, its battery and its Wi-Fi")
        if reason.what == "reading_age"
        else say("check the sensor: against another one, or over a jar of damp salt")
        if reason.what == "sensor_trust"
        else say("bring air, work and coat into that range"),
        None,
        "",
    )
    return SprayCheck(
        answer="unknown",
        material_id=material.id,
        coating=coating,
        reasons=(reason,),
        ways_out=(way,),
        air=air,
        as_of=None if air is None else air.as_of,
    )
