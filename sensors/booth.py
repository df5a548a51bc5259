"""A physical simulator of a small finishing shop: heat, water and solvent in a few rooms.

Each room is well mixed. Its air exchanges heat with outdoors through the walls, with a mass
(walls, benches) and with the other rooms by moving air; water with outdoors and the other rooms by
moving air, with wood, and with a dryer; solvent by moving air alone. A heater keeps the day's or
the night's temperature, at full power until near and then by less; the fan runs while something is
sprayed and a while after. Balances are linear for a minute at a time and stepped exactly.

Left out: radiation of the sun, heat of sorption, heat that evaporating solvent takes, the air
leaking in through the walls of rooms other than as told.

References
----------
ASHRAE Handbook - Fundamentals (2017), ch. 1 (moist air), ch. 16 (air change and tracer decay),
ch. 18 (heat and moisture given off by people).
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from datetime import date, datetime, timedelta

import numpy as np
from numpy.typing import NDArray

from sensors.linear import advance
from sensors.rooms import Room, Shop
from sensors.weather import Hour, Outdoors
from service.science import air

__all__ = ["OUTDOORS", "Air", "Booth", "Ledger"]

Array = NDArray[np.float64]

OUTDOORS = "outdoors"

DRY_AIR_J_KG_K = 1006.0
DRY_AIR_KG_M3 = 1.2
"""Dry air in a room is taken as constant; it changes by 3 % from 10 to 20 °C."""

LATENT_J_KG = 2.45e6
"""Heat of condensation near room temperature, given off by a dryer."""

PERSON_W, PERSON_G_H = 75.0, 60.0
"""Sensible heat and water that a person at light work gives off; near ASHRAE ch. 18, table 1."""

LONGEST_PART_S = 60.0
THERMOSTAT_K = 1.0
"""Below the wanted temperature by less than this, a heater gives the like part of its power."""

DRYER_PCT = 2.0
WORK_LAG_S = 20.0 * 60.0
"""Time constant with which thin work takes the temperature around it (assumed)."""

WORK_FROM_AIR = 0.6
"""Share of the air, the rest being the walls', in the temperature around hanging work (assumed)."""


@dataclass(frozen=True)
class Air:
    """The air of a place; ``surface_c`` is the temperature of thin work that hangs there."""

    air_c: float
    rh_pct: float
    surface_c: float
    pressure_pa: float


@dataclass(frozen=True)
class Ledger:
    """What has come in and gone out of all rooms together since the beginning.

    ``heat_in_j`` and ``water_in_kg`` are net over every boundary; ``stored_j`` and ``stored_kg``
    are what the rooms hold more than at the beginning. The pairs must agree.
    """

    heat_in_j: float
    stored_j: float
    water_in_kg: float
    stored_kg: float
    solvent_in_kg: float
    solvent_stored_kg: float


class Booth:
    """A shop whose air runs with the weather, its heater and its fan.

    Parameters
    ----------
    shop : Shop
        Rooms and day.
    weather : Outdoors
        Outdoor air at any instant.
    start : datetime
        Aware; the rooms begin near the night's temperature, in balance with their wood.
    """

    def __init__(self, shop: Shop, weather: Outdoors, start: datetime) -> None:
        if start.tzinfo is None:
            raise ValueError("start: needs a time zone")
        self.shop, self.weather, self.at = shop, weather, start
        rooms = shop.rooms
        self._n = len(rooms)
        self._index = {room.name: i for i, room in enumerate(rooms)}
        self._air_kg = np.array([DRY_AIR_KG_M3 * room.volume_m3 for room in rooms])
        self._air_j_k = self._air_kg * DRY_AIR_J_KG_K
        self._mass_j_k = np.array([1e3 * room.mass_kj_k for room in rooms])
        self._wood_kg_pct = np.array([1e-3 * room.wood_g_pct for room in rooms])
        self._wood_kg_s = np.array([1e-3 * room.wood_g_s for room in rooms])
        outdoor = weather.at(start)
        self._air_c = np.array([_kept_c(room, shop.night_c, outdoor) for room in rooms])
        self._mass_c = self._air_c.copy()
        self._work_c = self._air_c.copy()
        self._wood_pct = np.full(self._n, 50.0)
        self._w = self._saturated(self._mass_c, outdoor.pressure_pa) * 0.5
        self._solvent = np.zeros(self._n)
        self._heater_w_k = np.zeros(self._n)
        self._drying = np.zeros(self._n, dtype=bool)
        self._fan_until = start
        self._spray_until, self._spray_kg_s = start, 0.0
        self._sprayed: set[tuple[date, float]] = set()
        self._heat_in_j = self._water_in_kg = self._solvent_in_kg = 0.0
        self._heat_at_first = self._heat_j()
        self._water_at_first = self._water_kg()

    # -- what can be asked and done ----------------------------------------------------------

    @property
    def fan_runs(self) -> bool:
        """Whether the booth's fan runs now."""
        return self.at < self._fan_until

    @property
    def ledger(self) -> Ledger:
        """What has come in and what is stored."""
        return Ledger(
            heat_in_j=self._heat_in_j,
            stored_j=self._heat_j() - self._heat_at_first,
            water_in_kg=self._water_in_kg,
            stored_kg=self._water_kg() - self._water_at_first,
            solvent_in_kg=self._solvent_in_kg,
            solvent_stored_kg=float(self._air_kg @ self._solvent),
        )

    def solvent_kg_m3(self, room: str) -> float:
        """Return the solvent vapour in a room's air."""
        return float(self._solvent[self._index[room]] * DRY_AIR_KG_M3)

    def spray(self, minutes: float, solvent_g: float) -> None:
        """Spray from now on: the fan runs until a while after, the solvent comes in evenly."""
        if not (minutes > 0 and solvent_g >= 0):
            raise ValueError("minutes must be above 0 and solvent_g not below")
        self._spray_until = self.at + timedelta(minutes=minutes)
        self._spray_kg_s = 1e-3 * solvent_g / (60.0 * minutes)
        self._fan_until = self._spray_until + timedelta(minutes=self.shop.fan_after_min)

    def air(self) -> dict[str, Air]:
        """Return the air of every room and outdoors, now."""
        outdoor = self.weather.at(self.at)
        rh = air.relative_humidity(self._air_c, self._w, outdoor.pressure_pa)
        places = {
            room.name: Air(
                float(self._air_c[i]),
                float(min(rh[i], 100.0)),
                float(self._work_c[i]),
                outdoor.pressure_pa,
            )
            for room, i in zip(self.shop.rooms, range(self._n), strict=True)
        }
        places[OUTDOORS] = Air(outdoor.air_c, outdoor.rh_pct, outdoor.air_c, outdoor.pressure_pa)
        return places

    def step(self, dt_s: float, part_s: float = LONGEST_PART_S) -> dict[str, Air]:
        """Run on for ``dt_s`` seconds, in parts of ``part_s`` at most; return the air then.

        Heater, dryer, fan and weather are looked at once a part.
        """
        if not (dt_s > 0 and part_s > 0):
            raise ValueError(f"dt_s and part_s must be above 0, got {dt_s:g} and {part_s:g}")
        parts = math.ceil(dt_s / part_s)
        for _ in range(parts):
            self._part(dt_s / parts)
        return self.air()

    # -- one part: nothing is switched within it ----------------------------------------------

    def _part(self, dt_s: float) -> None:
        outdoor = self.weather.at(self.at + timedelta(seconds=dt_s / 2.0))
        self._switch(outdoor, dt_s)
        between, fresh = self._flows()
        working = self._working()
        dried_kg_s = self._drying * np.array([r.dryer_g_h / 3.6e6 for r in self.shop.rooms])
        people = np.array([room.people * working for room in self.shop.rooms])
        self._heat_part(outdoor, between, fresh, people * PERSON_W + dried_kg_s * LATENT_J_KG, dt_s)
        self._water_part(outdoor, between, fresh, people * PERSON_G_H / 3.6e6 - dried_kg_s, dt_s)
        self._solvent_part(between, fresh, dt_s)
        self.at += timedelta(seconds=dt_s)

    def _switch(self, outdoor: Hour, dt_s: float) -> None:
        rh = air.relative_humidity(self._air_c, self._w, outdoor.pressure_pa)
        for i, room in enumerate(self.shop.rooms):
            missing_k = self._wanted_c() - self._air_c[i]
            self._heater_w_k[i] = room.heater_w / max(missing_k, THERMOSTAT_K) * (missing_k > 0)
            dry_from = room.dry_above_pct - (DRYER_PCT if self._drying[i] else 0.0)
            self._drying[i] = room.dryer_g_h > 0 and rh[i] > dry_from
        hour = self._hour()
        for round_ in self.shop.sprayings:
            # A round begins with the part that its hour falls into, and once on its day.
            beginning = hour <= round_.at_h < hour + dt_s / 3600.0 - 1e-6
            under_way = 0.0 <= hour - round_.at_h < round_.minutes / 60.0
            key = (self._day(), round_.at_h)
            if (beginning or under_way) and key not in self._sprayed:
                self._sprayed = {*(k for k in self._sprayed if k[0] == key[0]), key}
                self.spray(round_.minutes, round_.solvent_g)

    def _flows(self) -> tuple[Array, Array]:
        """Return dry air moving from room to room and from outdoors to rooms, kg/s.

        As much leaves each room as comes in.
        """
        between = np.zeros((self._n, self._n))  # to, from
        fresh = self._air_kg * np.array([room.fresh_per_h / 3600.0 for room in self.shop.rooms])
        if self.fan_runs:
            to, by = self._index[self.shop.booth], self._index[self.shop.fan_from]
            drawn = DRY_AIR_KG_M3 * self.shop.fan_m3_s
            share = 0.0 if to == by else self.shop.fan_share
            fresh[to] += (1.0 - share) * drawn
            fresh[by] += share * drawn
            between[to, by] += share * drawn
        return between, fresh

    def _exchange(self, between: Array, fresh: Array) -> Array:
        """Return the matrix by which moving air changes what a kg of dry air holds, kg/s."""
        return between - np.diag(between.sum(axis=1) + fresh)

    def _heat_part(
        self, outdoor: Hour, between: Array, fresh: Array, given_w: Array, dt_s: float
    ) -> None:
        n, rooms = self._n, self.shop.rooms
        wall = np.array([room.wall_w_k for room in rooms])
        contact = np.array([room.contact_w_k for room in rooms])
        heater, wanted_c = self._heater_w_k, self._wanted_c()
        moved = DRY_AIR_J_KG_K * self._exchange(between, fresh)
        to_outdoors = wall + DRY_AIR_J_KG_K * fresh
        rates = np.zeros((2 * n, 2 * n))
        rates[:n, :n] = (moved - np.diag(wall + contact + heater)) / self._air_j_k[:, None]
        rates[:n, n:] = np.diag(contact / self._air_j_k)
        rates[n:, :n] = np.diag(contact / self._mass_j_k)
        rates[n:, n:] = -np.diag(contact / self._mass_j_k)
        drive = np.zeros(2 * n)
        drive[:n] = (to_outdoors * outdoor.air_c + heater * wanted_c + given_w) / self._air_j_k
        end, integral = advance(rates, drive, np.concatenate([self._air_c, self._mass_c]), dt_s)
        through = to_outdoors @ (outdoor.air_c * dt_s - integral[:n])
        swapped = (DRY_AIR_J_KG_K * _between_rooms(between)) @ integral[:n]
        inside = heater @ (wanted_c * dt_s - integral[:n]) + given_w.sum() * dt_s
        self._heat_in_j += float(through + swapped.sum() + inside)
        around = WORK_FROM_AIR * integral[:n] + (1.0 - WORK_FROM_AIR) * integral[n:]
        kept = math.exp(-dt_s / WORK_LAG_S)
        self._work_c = kept * self._work_c + (1.0 - kept) * around / dt_s
        self._air_c, self._mass_c = end[:n], end[n:]

    def _water_part(
        self, outdoor: Hour, between: Array, fresh: Array, given_kg_s: Array, dt_s: float
    ) -> None:
        n = self._n
        # The wood's state within the part is the humidity ratio over it, as the air's is: numbers
        # of one size keep the series short.
        per_pct = self._saturated(self._mass_c, outdoor.pressure_pa) / 100.0
        wood_kg = self._wood_kg_pct / per_pct
        moved = self._exchange(between, fresh)
        outdoor_w = air.humidity_ratio(outdoor.air_c, outdoor.rh_pct, outdoor.pressure_pa)
        rates = np.zeros((2 * n, 2 * n))
        rates[:n, :n] = (moved - np.diag(self._wood_kg_s)) / self._air_kg[:, None]
        rates[:n, n:] = np.diag(self._wood_kg_s / self._air_kg)
        rates[n:, :n] = np.diag(self._wood_kg_s / wood_kg)
        rates[n:, n:] = -np.diag(self._wood_kg_s / wood_kg)
        drive = np.zeros(2 * n)
        drive[:n] = (fresh * outdoor_w + given_kg_s) / self._air_kg
        over_wood = self._wood_pct * per_pct
        end, integral = advance(rates, drive, np.concatenate([self._w, over_wood]), dt_s)
        through = fresh @ (outdoor_w * dt_s - integral[:n])
        swapped = _between_rooms(between) @ integral[:n]
        self._water_in_kg += float(through + swapped.sum() + given_kg_s.sum() * dt_s)
        most = self._saturated(self._air_c, outdoor.pressure_pa)
        condensed = np.maximum(0.0, end[:n] - most)  # runs off the cold walls and away
        self._water_in_kg -= float(self._air_kg @ condensed)
        self._w, self._wood_pct = end[:n] - condensed, end[n:] / per_pct

    def _solvent_part(self, between: Array, fresh: Array, dt_s: float) -> None:
        n = self._n
        rates = self._exchange(between, fresh) / self._air_kg[:, None]
        given_kg_s = np.zeros(n)
        if self._spraying():
            left_s = (self._spray_until - self.at).total_seconds()
            given_kg_s[self._index[self.shop.booth]] = self._spray_kg_s * min(1.0, left_s / dt_s)
        end, integral = advance(rates, given_kg_s / self._air_kg, self._solvent, dt_s)
        swapped = _between_rooms(between) @ integral
        self._solvent_in_kg += float(given_kg_s.sum() * dt_s + swapped.sum() - fresh @ integral)
        self._solvent = end

    # -- small things -------------------------------------------------------------------------

    def _local(self) -> datetime:
        return self.at + timedelta(hours=self.shop.utc_offset_h)

    def _day(self) -> date:
        return self._local().date()

    def _hour(self) -> float:
        local = self._local()
        return local.hour + local.minute / 60.0 + local.second / 3600.0

    def _working(self) -> bool:
        return self.shop.day_from_h <= self._hour() < self.shop.day_until_h

    def _wanted_c(self) -> float:
        return self.shop.day_c if self._working() else self.shop.night_c

    def _spraying(self) -> bool:
        return self.at < self._spray_until

    def _saturated(self, air_c: Array, pressure_pa: float) -> Array:
        return np.asarray(air.humidity_ratio(air_c, np.full(self._n, 100.0), pressure_pa))

    def _heat_j(self) -> float:
        return float(self._air_j_k @ self._air_c + self._mass_j_k @ self._mass_c)

    def _water_kg(self) -> float:
        return float(self._air_kg @ self._w + self._wood_kg_pct @ self._wood_pct)


def _between_rooms(between: Array) -> Array:
    return between - np.diag(between.sum(axis=1))


def _kept_c(room: Room, night_c: float, outdoor: Hour) -> float:
    """Return a room's temperature at the beginning: heated, or halfway to outdoors."""
    return max(night_c, outdoor.air_c) if room.heater_w > 0 else 0.5 * (night_c + outdoor.air_c)
