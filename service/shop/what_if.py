"""What if: the same spray check and the same clock asked again in changed air or for another coat.

Nothing is decided here: changed air and coat go through ``spray_check.check``, waits through the
material's drying law, and what a room does with heat and a machine is ``room_work``'s.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from datetime import datetime

from service.science import drying
from service.shop.air import Air, altered
from service.shop.learning import MarkScale
from service.shop.materials import Coating, Material
from service.shop.projection import REFERENCE, ReadyTime
from service.shop.room_work import Assumption, Cost, Room, work_on
from service.shop.said import say
from service.shop.spray_check import Reckoner, SprayCheck, check, reckoned
from service.shop.warming import Body, bodies_of, warmed_by

__all__ = ["Change", "OnePiece", "Side", "Wait", "WhatIf", "what_if"]


@dataclass(frozen=True)
class Change:
    """What is to be different: more heat, a machine, a wait for the work, another coat.

    ``dehumidify_l_day`` is what the machine takes out in the air of the shop, which may be half of
    what stands on its plate.
    """

    heat_k: float = 0.0
    dehumidify_l_day: float = 0.0
    warm_work_min: float = 0.0
    retarder_pct: float | None = None
    wet_um: float | None = None


@dataclass(frozen=True)
class OnePiece:
    """A piece in question: what of it lags in warming, how cold it is, what it waits for.

    ``recoat`` is the mark that its next coat waits for, ``last`` those of its last coat, which is
    of ``last_material``, as they were reckoned at ``asked_at``.
    """

    bodies: tuple[Body, ...] = ()
    cold_surface_c: float | None = None
    recoat: ReadyTime | None = None
    last: Sequence[ReadyTime] = ()
    last_material: Material | None = None
    asked_at: datetime | None = None


@dataclass(frozen=True)
class Wait:
    """Hours from a coat to a mark; for a coat under way those that are left."""

    mark: str
    hours: float
    under_way: bool


@dataclass(frozen=True)
class Side:
    """One column: the answer with all it rests on, the air, and the waits."""

    check: SprayCheck
    air: Air
    waits: tuple[Wait, ...]


@dataclass(frozen=True)
class WhatIf:
    """Now beside then, what is gained, what it costs, and what was assumed for it."""

    now: Side
    then: Side
    blush_margin_gain_k: float | None
    cost: Cost
    assumptions: tuple[Assumption, ...]


def what_if(
    now: SprayCheck,
    air: Air,
    material: Material,
    change: Change,
    space: Room,
    *,
    stale_after_s: float,
    piece: OnePiece | None = None,
    scales: Mapping[str, MarkScale] = REFERENCE,
    reckon: Reckoner = reckoned,
) -> WhatIf:
    """Ask the spray check and the waits again under a change.

    Parameters
    ----------
    now : SprayCheck
        The answer as it stands, for the coat that would go on.
    air : Air
        The place's air, which ``now`` rests on.
    change : Change
        ``heat_k`` 0 to 30 K, ``dehumidify_l_day`` 0 to 500, ``warm_work_min`` 0 to 1,440.
    space : Room
        What is not known of it is assumed, and said so.
    piece : OnePiece, optional
        The piece that would be coated.
    scales : mapping, optional
        What the shop has learned of the material's marks.

    Returns
    -------
    WhatIf
        ``then`` asks for as much as after a *wait* where ``now`` says *wait*: whoever does as told
        must not be told to wait again. Air that cannot be relied on stays *unknown* on both sides.
    """
    one = piece or OnePiece()
    work = work_on(air, change.heat_k, change.dehumidify_l_day, space)
    surface_c, told = _surface(air, now.coating, change, one, work.air_c)
    then_air = altered(
        air,
        air_c=work.air_c,
        rh_pct=work.rh_pct,
        surface_c=surface_c,
        surface_measured=air.surface_measured or one.cold_surface_c is not None,
    )
    wet_um, retarder_pct = change.wet_um, change.retarder_pct
    coating = replace(
        now.coating,
        wet_um=now.coating.wet_um if wet_um is None else wet_um,
        retarder_pct=now.coating.retarder_pct if retarder_pct is None else retarder_pct,
    )
    then = check(
        then_air,
        material,
        coating,
        stale_after_s=stale_after_s,
        previous="wait" if now.answer == "wait" else None,
        recoat=one.recoat,
        reckon=reckon,
    )
    if coating.retarder_pct != now.coating.retarder_pct:
        told += (Assumption(say("the waits are those without retarder, which adds to them")),)
    gain = None
    if now.blush_margin_k is not None and then.blush_margin_k is not None:
        gain = then.blush_margin_k - now.blush_margin_k
    return WhatIf(
        now=Side(now, air, _waits(material, scales, now, air, one, air)),
        then=Side(then, then_air, _waits(material, scales, then, then_air, one, air)),
        blush_margin_gain_k=gain,
        cost=work.cost,
        assumptions=work.assumptions + told,
    )


def _surface(
    air: Air, coating: Coating, change: Change, one: OnePiece, air_c: float
) -> tuple[float, tuple[Assumption, ...]]:
    """Return the surface of the work *then*: it warms along with the air, and more if it waits."""
    told: tuple[Assumption, ...] = ()
    known = air.surface_measured or one.cold_surface_c is not None
    surface_c = air.surface_c if one.cold_surface_c is None else one.cold_surface_c
    surface_c += air_c - air.air_c
    if change.heat_k:
        told += (Assumption(say("the work is as much warmer as the air")),)
    if not change.warm_work_min:
        return surface_c, told
    if not known:
        text = say("the work is as warm as the air already: no probe is on it, and no cold arrival")
        return surface_c, (*told, Assumption(text))
    bodies = one.bodies or bodies_of("", coating.plate_mm, ("top",))
    told += (Assumption(say("the work hangs free in still air, cold all through")),)
    return warmed_by(surface_c, air_c, change.warm_work_min, bodies), told


def _waits(
    material: Material,
    scales: Mapping[str, MarkScale],
    asked: SprayCheck,
    air: Air,
    one: OnePiece,
    air_now: Air,
) -> tuple[Wait, ...]:
    """Hours from this coat to its marks if the air stays so, and what is left of the last coat's.

    What is left was reckoned from the air as it was and is to be; it shrinks as the rate of drying
    grows.
    """
    if air.trouble is not None:
        return ()
    rate = _rate(material, air, asked.coating.wet_um)
    found = []
    for mark in sorted(material.marks.values(), key=lambda m: m.hours):
        scale = scales[mark.name].middle if mark.name in scales else 1.0
        found.append(Wait(mark.name, mark.hours * scale / rate, under_way=False))
    last = one.last_material
    if last is None or one.asked_at is None:
        return tuple(found)
    quicker = _rate(last, air, last.usual_wet_um) / _rate(last, air_now, last.usual_wet_um)
    for ready in one.last:
        if ready.reached or ready.ready_at is None:
            continue
        left_h = (ready.ready_at - one.asked_at).total_seconds() / 3600.0
        found.append(Wait(ready.mark, max(0.0, left_h) / quicker, under_way=True))
    return tuple(found)


def _rate(material: Material, air: Air, film_um: float) -> float:
    return float(drying.rate(material.drying, air.air_c, air.rh_pct, film_um))
