"""How often the flags of readings find a fault, how soon, and how often they cry without one."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from datetime import UTC, datetime, timedelta

import numpy as np
from numpy.typing import NDArray

from sensors.booth import Booth
from sensors.faults import Fault
from sensors.rooms import SALTMARSH
from sensors.told import COARSE, FINE, Make, Told, between, tell
from sensors.weather import DampSpring, Outdoors, read_weather
from service.shop.quality import NAMES, Course, Flag, flags_of

MAKES = (FINE, COARSE, FINE)
"""The sensors of each place."""

HOUR_S = 3600.0
BEFORE_S, AFTER_S = 7.0 * HOUR_S, 1800.0
"""What a fault is seen in: a reach back, and a while after."""

JUDGED = {flag: name for flag, name in NAMES.items() if flag is not Flag.AWAY}

EPISODE_S = 1800.0
"""Flags that are further apart are two alarms."""


@dataclass(frozen=True, eq=False)
class Truth:
    """True air of a place, at even intervals."""

    time_s: NDArray[np.float64]
    air_c: NDArray[np.float64]
    rh_pct: NDArray[np.float64]


@dataclass(frozen=True)
class Alarms:
    """False alarms of one flag: how many a day of one sensor, and the share of its readings."""

    flag: str
    a_day: float
    share_pct: float


@dataclass(frozen=True)
class Found:
    """One fault, tried many times: the share found [%], and minutes until half of those were."""

    fault: Fault
    alone_own: float
    alone_any: float
    beside_own: float
    beside_any: float
    minutes: float


def booth_month(seed: int, days: float, every_s: float = 60.0) -> dict[str, Truth]:
    """Return the rooms of the simulated shop from 1 March on, behind an invented damp spring."""
    start = datetime(2026, 3, 1, tzinfo=UTC)
    booth = Booth(SALTMARSH, DampSpring(seed), start)
    steps = int(days * 86400.0 / every_s)
    airs = [booth.step(every_s) for _ in range(steps)]
    time_s = start.timestamp() + every_s * np.arange(1, steps + 1)
    return {
        room.name: Truth(
            time_s,
            np.array([now[room.name].air_c for now in airs]),
            np.array([now[room.name].rh_pct for now in airs]),
        )
        for room in SALTMARSH.rooms
    }


def weather(source: str, from_month: int, days: float, every_s: float) -> dict[str, Truth]:
    """Return the outdoor air of a weather file from day 2 of a month, straight between hours."""
    told: Outdoors = read_weather(source)
    start = datetime(2001, from_month, 2, tzinfo=UTC)
    at = [start + timedelta(seconds=every_s * i) for i in range(int(days * 86400.0 / every_s))]
    hours = [told.at(instant) for instant in at]
    return {
        "outdoors": Truth(
            np.array([instant.timestamp() for instant in at]),
            np.array([hour.air_c for hour in hours]),
            np.array([hour.rh_pct for hour in hours]),
        )
    }


def sensors_of(
    truths: dict[str, Truth], seed: int, draws: int = 1, makes: Sequence[Make] = MAKES
) -> list[list[Told]]:
    """Return what sound sensors tell, place by place; each place ``draws`` times over."""
    rng = np.random.default_rng(seed)
    return [
        [tell(true.time_s, true.air_c, true.rh_pct, make, rng) for make in makes]
        for true in truths.values()
        for _ in range(draws)
    ]


def course_of(told: Told) -> Course:
    """Return readings as they are judged: the corrections applied."""
    air_c, rh_pct = told.air_c.copy(), told.rh_pct.copy()
    for made in told.corrections:
        air_c[told.time_s >= made.from_s] += made.air_k
        rh_pct[told.time_s >= made.from_s] += made.rh_pct
    return Course(
        time_s=told.time_s,
        received_s=told.received_s,
        air_c=air_c,
        rh_pct=np.clip(rh_pct, 0.0, 100.0),
        raw_air_c=told.air_c,
        raw_rh_pct=told.rh_pct,
        pressure_pa=np.full(told.time_s.size, np.nan),
        battery_pct=told.battery_pct,
        air_sd_k=told.make.sd_k,
        rh_sd_pct=told.make.sd_pct,
        corrected_from_s=tuple(made.from_s for made in told.corrections),
    )


def sensor_days(places: Sequence[Sequence[Told]]) -> float:
    """Return the days of all sensors together."""
    return sum((told.time_s[-1] - told.time_s[0]) / 86400.0 for place in places for told in place)


def false_alarms(places: Sequence[Sequence[Told]]) -> list[Alarms]:
    """Return the alarms on sound sensors, flag by flag."""
    alarms, readings, flagged = dict.fromkeys(JUDGED, 0), 0, dict.fromkeys(JUDGED, 0)
    days = sensor_days(places)
    for place in places:
        courses = [course_of(told) for told in place]
        for course in courses:
            mates = [other for other in courses if other is not course]
            flags = flags_of(course, mates)
            readings += flags.size
            for flag in JUDGED:
                at_s = course.time_s[(flags & flag) > 0]
                flagged[flag] += at_s.size
                alarms[flag] += int(at_s.size > 0) + int((np.diff(at_s) > EPISODE_S).sum())
    return [
        Alarms(name, alarms[flag] / days, 100.0 * flagged[flag] / readings)
        for flag, name in JUDGED.items()
    ]


def live_alarms(places: Sequence[Sequence[Told]]) -> list[Alarms]:
    """Return the alarms on sound sensors as they stood when each reading had just come.

    Later readings may have taken them away. The first reach back is context and not counted.
    """
    alarms, flagged, readings = dict.fromkeys(JUDGED, 0), dict.fromkeys(JUDGED, 0), 0
    for place in places:
        for told in place:
            last_s = dict.fromkeys(JUDGED, -np.inf)
            for now_s in told.time_s[told.time_s >= told.time_s[0] + BEFORE_S]:
                window = (now_s - BEFORE_S, now_s + 1e-3)
                courses = [course_of(between(one, *window)) for one in place if one is not told]
                now = int(flags_of(course_of(between(told, *window)), courses)[-1])
                readings += 1
                for flag in JUDGED:
                    if now & flag:
                        flagged[flag] += 1
                        alarms[flag] += now_s - last_s[flag] > EPISODE_S
                        last_s[flag] = now_s
    days = sensor_days(places) - sum(len(place) for place in places) * BEFORE_S / 86400.0
    return [
        Alarms(name, alarms[flag] / days, 100.0 * flagged[flag] / readings)
        for flag, name in JUDGED.items()
    ]


def found(fault: Fault, places: Sequence[Sequence[Told]], trials: int, seed: int) -> Found:
    """Put a fault into a sensor by chance, again and again, and see what finds it."""
    rng = np.random.default_rng(seed)
    flag = next(flag for flag, name in JUDGED.items() if name == fault.flag)
    hits = {"alone": [0, 0], "beside": [0, 0]}
    minutes = []
    for _ in range(trials):
        place = places[rng.integers(len(places))]
        which = int(rng.integers(len(place)))
        sound = place[which]
        from_s = rng.uniform(sound.time_s[0] + BEFORE_S, sound.time_s[-1] - fault.lasts_s - AFTER_S)
        window = (from_s - BEFORE_S, from_s + fault.lasts_s + AFTER_S)
        before = between(sound, *window)
        faulty = fault.put(before, from_s, rng)
        mates = [between(told, *window) for told in place if told is not sound]
        wrong = _wrong(before, faulty, from_s, fault)
        for name, beside in (("alone", []), ("beside", mates)):
            flags = flags_of(course_of(faulty), [course_of(mate) for mate in beside])[wrong]
            hits[name][0] += bool((flags & flag).any())
            hits[name][1] += bool((flags > 0).any())
        if (flags & flag).any():
            minutes.append(_until_known_s(faulty, mates, wrong, int(flag)) / 60.0)
    share = {name: [100.0 * hit / trials for hit in both] for name, both in hits.items()}
    half = float(np.median(minutes)) if minutes else float("nan")
    return Found(fault, *share["alone"], *share["beside"], minutes=half)


def _wrong(before: Told, faulty: Told, from_s: float, fault: Fault) -> NDArray[np.int64]:
    """Return the readings that are not as a sound sensor would have told them."""
    if len(faulty.corrections) > len(before.corrections):
        inside = (faulty.time_s >= from_s) & (faulty.time_s < from_s + fault.lasts_s)
        return np.flatnonzero(inside)
    same = np.searchsorted(before.time_s, faulty.time_s)
    same = np.minimum(same, before.time_s.size - 1)
    return np.flatnonzero(
        (before.time_s[same] != faulty.time_s)
        | (before.air_c[same] != faulty.air_c)
        | (before.rh_pct[same] != faulty.rh_pct)
        | (before.battery_pct[same] != faulty.battery_pct)
    )


def _until_known_s(
    faulty: Told, mates: Sequence[Told], wrong: NDArray[np.int64], flag: int
) -> float:
    """Return the time from the first wrong reading's receipt to that of the one that told."""
    first_s = float(faulty.received_s[wrong].min())
    arrivals_s = np.unique(faulty.received_s[faulty.received_s >= first_s])
    is_wrong = np.zeros(faulty.time_s.size, dtype=np.bool_)
    is_wrong[wrong] = True
    for now_s in _some(arrivals_s):
        here = faulty.received_s <= now_s
        seen = _known(faulty, now_s)
        flags = flags_of(course_of(seen), [course_of(_known(mate, now_s)) for mate in mates])
        if (flags[is_wrong[here]] & flag).any():
            return float(now_s - first_s)
    return float(arrivals_s[-1] - first_s)


def _some(arrivals_s: NDArray[np.float64]) -> Iterator[float]:
    """Yield the first arrivals one by one, and then every fifth minute's."""
    last_s = -np.inf
    for count, now_s in enumerate(arrivals_s):
        if count < 8 or now_s - last_s >= 300.0:
            last_s = now_s
            yield float(now_s)


def _known(told: Told, now_s: float) -> Told:
    """Return what had been received by then."""
    here = told.received_s <= now_s
    return Told(
        told.make,
        told.time_s[here],
        told.received_s[here],
        told.air_c[here],
        told.rh_pct[here],
        told.battery_pct[here],
        tuple(made for made in told.corrections if made.from_s <= now_s),
    )
