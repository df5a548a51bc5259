"""What heat and a dehumidifier do to the air of a room, what they take, and what that rests on.

A well-mixed room with fresh air (``science.room``) and plain assumptions; each is told.
"""

from __future__ import annotations

import itertools
import math
from dataclasses import dataclass, replace

from service.science import air as moist
from service.science import room
from service.shop.air import Air
from service.shop.said import say

__all__ = ["Assumption", "Cost", "Room", "RoomWork", "work_on"]

VOLUME_M3 = 30.0
"""Room where none is given: a small workshop or a large booth (assumed)."""

AIR_CHANGES_H = 1.0
"""Fresh air where none is given: extraction off, doors shut, an old building (assumed)."""

HEIGHT_M = 2.5
U_W_M2K = 1.5
"""Loss through floor, ceiling and walls of a light, little insulated building (assumed)."""

CONTENTS_J_M2K = 80e3
"""Heat that a room's contents and linings take up, for each m² of floor and kelvin: the very light
building of ISO 13790, table 12 (from memory)."""

KWH_PER_LITRE = 0.7
"""Electricity of a compressor dehumidifier of workshop size (assumed)."""

DRIEST_DEW_POINT_C = 3.0
"""A compressor's coil ices up below about that and takes out no more (assumed)."""

HOLD_H = 3.0
"""How long the changed air is to be held: a coat, its flash-off and the first wait (assumed)."""

NEARLY = 0.9
"""A room has followed when so much of the change is done."""

HOTTEST_C = 60.0
"""End of what is known of moist air here."""

J_KWH = 3.6e6


@dataclass(frozen=True)
class Room:
    """The room: its volume, its fresh air, and how damp that is and where that was read."""

    volume_m3: float | None = None
    air_changes_h: float | None = None
    makeup_g_kg: float | None = None
    makeup_from: str = ""


@dataclass(frozen=True)
class Assumption:
    """What a figure rests on, in words, and whether that is assumed or was given."""

    text: str
    assumed: bool = True


@dataclass(frozen=True)
class Cost:
    """What the change takes; None where no machine or no heat is asked for.

    ``water_l`` leaves the air once (``water_g_kg`` of each kg; below zero: it gets damper), and
    ``water_l_day`` is what the machine then keeps taking out. ``follows_h`` is when nine tenths of
    the change are done, ``time_constant_h`` the room's own (None: no fresh air). ``heat_kwh`` warms
    the room up, ``hold_kw`` keeps it warm, ``kwh`` is all of it with ``hold_h`` hours of holding.
    """

    hold_h: float
    kwh: float
    steady_g_kg: float | None = None
    water_g_kg: float | None = None
    water_l: float | None = None
    water_l_day: float | None = None
    dry_kw: float | None = None
    time_constant_h: float | None = None
    follows_h: float | None = None
    heat_kwh: float | None = None
    hold_kw: float | None = None


@dataclass(frozen=True)
class RoomWork:
    """Air temperature and humidity that a room comes to, what it costs, what it rests on."""

    air_c: float
    rh_pct: float
    cost: Cost
    assumptions: tuple[Assumption, ...]


@dataclass(frozen=True)
class _Dried:
    """Humidity ratio at the start and at the end, and what the machine does for it."""

    start: float
    end: float
    mass_kg: float
    follows_h: float
    running_h: float
    keeps_kg_h: float


def work_on(air: Air, heat_k: float, dehumidify_l_day: float, space: Room) -> RoomWork:
    """Say what the air of a room comes to with so much heat and so strong a dehumidifier.

    Parameters
    ----------
    air : Air
        As it is now.
    heat_k : float
        By how much it is to be warmer, 0 to 30 K; its water stays what it is.
    dehumidify_l_day : float
        What the machine takes out in the air of the shop, 0 to 500 litres a day.
    space : Room
        What is not known of it is assumed.
    """
    volume = VOLUME_M3 if space.volume_m3 is None else space.volume_m3
    changes = AIR_CHANGES_H if space.air_changes_h is None else space.air_changes_h
    told: list[Assumption] = []
    if heat_k or dehumidify_l_day:
        told.append(
            Assumption(say("a room of {volume:g} m³", volume=volume), space.volume_m3 is None)
        )
        told.append(
            Assumption(
                say("{changes:g} air changes an hour", changes=changes), space.air_changes_h is None
            )
        )
    start = air.humidity_ratio_g_kg / 1000.0
    mass = room.dry_air(volume, air.air_c, start, air.pressure_pa)
    cost = Cost(hold_h=HOLD_H, kwh=0.0)
    end = start
    if dehumidify_l_day:
        dried = _dried(air, dehumidify_l_day / 24.0, space, mass, changes, told)
        end = dried.end
        cost = _drying_cost(cost, dried, dehumidify_l_day / 24.0, changes, told)
    if heat_k:
        cost = _heating_cost(cost, heat_k, volume, mass, end, changes, told)
    air_c = min(air.air_c + heat_k, HOTTEST_C)
    rh_pct = air.rh_pct
    if heat_k or dehumidify_l_day:
        rh_pct = float(moist.relative_humidity(air_c, end, air.pressure_pa))
    return RoomWork(air_c, min(max(rh_pct, 0.0), 100.0), cost, tuple(told))


def _dried(
    air: Air,
    removal_kg_h: float,
    space: Room,
    mass_kg: float,
    changes_h: float,
    told: list[Assumption],
) -> _Dried:
    start = air.humidity_ratio_g_kg / 1000.0
    makeup = start if space.makeup_g_kg is None else space.makeup_g_kg / 1000.0
    whose = space.makeup_from or (
        say("as the air is now") if space.makeup_g_kg is None else say("as given")
    )
    told.append(
        Assumption(
            say("fresh air of {makeup:.1f} g/kg, {whose}", makeup=1000.0 * makeup, whose=whose),
            space.makeup_g_kg is None,
        )
    )
    told.append(
        Assumption(
            say(
                "the machine dries no further than a dew point of {driest_dew_point_c:g} °C",
                driest_dew_point_c=DRIEST_DEW_POINT_C,
            )
        )
    )
    told.append(Assumption(say("nothing in the room gives off water, and its walls take none up")))
    free = room.steady_ratio(makeup, removal_kg_h, mass_kg, changes_h)
    driest = float(moist.humidity_ratio(DRIEST_DEW_POINT_C, 100.0, air.pressure_pa))
    end = max(free, min(driest, makeup if changes_h else start))
    if end > start:
        told.append(
            Assumption(say("the fresh air brings more water than the machine takes"), assumed=False)
        )
    legs = _legs(start, start + NEARLY * (end - start), driest)
    on_h = sum(_hours(a, b, free, changes_h, removal_kg_h / mass_kg) for a, b, on in legs if on)
    off_h = sum(_hours(a, b, makeup, changes_h, 0.0) for a, b, on in legs if not on)
    keeps = min(removal_kg_h, max(0.0, changes_h * mass_kg * (makeup - end)))
    return _Dried(start, end, mass_kg, on_h + off_h, on_h, keeps)


def _legs(start: float, target: float, driest: float) -> list[tuple[float, float, bool]]:
    """Cut a way at the point where the machine stops: from, to, and whether it runs."""
    cuts = [start, target]
    if min(cuts) < driest < max(cuts):
        cuts.insert(1, driest)
    return [(a, b, max(a, b) > driest) for a, b in itertools.pairwise(cuts)]


def _hours(start: float, target: float, end: float, changes_h: float, per_h: float) -> float:
    """Time from one humidity ratio to another on the way to ``end``, or at a rate ``per_h``."""
    if start == target:
        return 0.0
    if changes_h:
        return math.log((start - end) / (target - end)) / changes_h
    return (start - target) / per_h


def _drying_cost(
    cost: Cost, dried: _Dried, removal_kg_h: float, changes_h: float, told: list[Assumption]
) -> Cost:
    told.append(
        Assumption(say("{kwh_per_litre:g} kWh for a litre of water", kwh_per_litre=KWH_PER_LITRE))
    )
    told.append(Assumption(say("the machine's own warmth is not counted")))
    kw = dried.keeps_kg_h * KWH_PER_LITRE
    return replace(
        cost,
        # The machine runs at its full rate until the room has followed.
        kwh=cost.kwh + dried.running_h * removal_kg_h * KWH_PER_LITRE + HOLD_H * kw,
        steady_g_kg=1000.0 * dried.end,
        water_g_kg=1000.0 * (dried.start - dried.end),
        water_l=dried.mass_kg * (dried.start - dried.end),
        water_l_day=24.0 * dried.keeps_kg_h,
        dry_kw=kw,
        time_constant_h=1.0 / changes_h if changes_h else None,
        follows_h=dried.follows_h,
    )


def _heating_cost(
    cost: Cost,
    heat_k: float,
    volume_m3: float,
    mass_kg: float,
    ratio: float,
    changes_h: float,
    told: list[Assumption],
) -> Cost:
    told.append(
        Assumption(
            say("{u_w_m2k:g} W lost for each m² of walls, floor and ceiling and K", u_w_m2k=U_W_M2K)
        )
    )
    told.append(
        Assumption(
            say(
                "{contents_j_m2k:g} kJ to warm what is in it, for each m² and K",
                contents_j_m2k=CONTENTS_J_M2K / 1000.0,
            )
        )
    )
    told.append(
        Assumption(say("a room {height_m:g} m high with a square floor", height_m=HEIGHT_M))
    )
    shell = U_W_M2K * room.box_area(volume_m3, HEIGHT_M)
    loss = shell + room.ventilation_loss(mass_kg, ratio, changes_h)
    contents = CONTENTS_J_M2K * volume_m3 / HEIGHT_M
    warm = room.heat_to_warm(heat_k, mass_kg, ratio, contents) / J_KWH
    hold = room.heat_to_hold(heat_k, loss) / 1000.0
    return replace(cost, kwh=cost.kwh + warm + HOLD_H * hold, heat_kwh=warm, hold_kw=hold)
