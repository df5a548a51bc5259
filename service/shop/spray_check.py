"""The spray check: may this material be sprayed in this air, why, and what would change it."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from datetime import datetime
from typing import Literal

from service.shop.air import Air
from service.shop.gauges import CAUTIOUS_Z, Cases, Gauge, gauges_of
from service.shop.materials import Coating, Material
from service.shop.projection import ReadyTime
from service.shop.ways_out import WayOut, ways_out
from service.shop.wet import Beyond, beyond_model

__all__ = ["Answer", "Reason", "Reckoned", "Reckoner", "SprayCheck", "check", "reckoned"]

Answer = Literal["spray", "wait", "unknown"]


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
    first. ``film_floor_c``, ``blush_margin_k`` and ``blush_probability`` are None where the air
    is unknown or the material does not blush.
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
    condensed_at_set_g_m2: float | None = None
    flash_off_s: float | None = None

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
    if beyond := beyond_model(air.air_c, air.surface_c, coating, air.pressure_pa):
        return _unknown(material, coating, air, _out_of_model(beyond))

    film_side = reckon(air, material, coating, previous == "wait")
    cases, gauges = film_side.cases, film_side.gauges
    reasons = [_reason(gauge) for gauge in gauges]
    reasons.append(_age(air, stale_after_s))
    if recoat is not None:
        reasons.append(_recoat(recoat))
    ordered = _by_weight(reasons, gauges)
    blocked = any(reason.blocks for reason in ordered)
    return SprayCheck(
        answer="wait" if blocked else "spray",
        material_id=material.id,
        coating=coating,
        reasons=ordered,
        ways_out=(*_wait_for(recoat), *film_side.ways_out),
        air=air,
        as_of=air.as_of,
        film_floor_c=cases.film_floor_c,
        blush_margin_k=cases.blush_margin_k,
        blush_margin_sd_k=float(cases.blush_sd_k[0]),
        blush_probability=cases.blush_probability,
        condensed_at_set_g_m2=cases.condensed_at_set_g_m2,
        flash_off_s=cases.flash_off_s,
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
    return tuple(sorted(reasons, key=lambda r: (not r.blocks, slack.get(r.what, 9.0))))


def _age(air: Air, stale_after_s: float) -> Reason:
    return Reason(
        what="reading_age",
        text=f"last reading {air.age_s:.0f} s old",
        value=air.age_s,
        limit=stale_after_s,
        unit="s",
        source="shop setting",
        blocks=False,
    )


def _recoat(recoat: ReadyTime) -> Reason:
    wait = not recoat.reached
    return Reason(
        what="recoat_mark",
        text=(
            f"the last coat is {recoat.clock:.0%} of the way to its {recoat.mark} mark"
            if wait
            else f"the last coat has passed its {recoat.mark} mark"
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
    text = f"wait for the last coat to reach its {recoat.mark} mark"
    return (WayOut("wait", text, None, "", until=recoat.ready_at),)


def _no_reading(stale_after_s: float) -> Reason:
    return Reason(
        "reading_age",
        "no reading has come from this place",
        None,
        stale_after_s,
        "s",
        "shop setting",
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
        source="shop setting" if stale else f"sensor uncertainty, {CAUTIOUS_Z:g} sd and more",
        blocks=True,
    )


def _out_of_model(beyond: Beyond) -> Reason:
    return Reason(
        "film_model_range",
        f"{beyond.name} of {beyond.value:g} {beyond.unit} is outside what the film is reckoned for",
        beyond.value,
        beyond.limit,
        beyond.unit,
        "range of the film model",
        blocks=True,
    )


def _unknown(material: Material, coating: Coating, air: Air | None, reason: Reason) -> SprayCheck:
    way = WayOut(
        "reading",
        "bring a fresh reading: look at the sensor, its battery and its Wi-Fi"
        if reason.what == "reading_age"
        else "check the sensor: against another one, or over a jar of damp salt"
        if reason.what == "sensor_trust"
        else "bring air, work and coat into that range",
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
