"""Which level of some topics names the place, and which the sensor: a guess, with its questions."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

from sensors.leaves import tokens
from sensors.topics import Pattern, word_of
from sensors.wire import PayloadError

__all__ = ["Device", "Named", "name_levels"]

_GENERIC = frozenset({
    "state", "status", "telemetry", "tele", "stat", "sensor", "sensors", "data", "json", "value",
    "values", "reading", "readings", "event", "events", "up", "uplink", "environment", "climate",
    "mqtt", "out", "raw", "report", "measurement", "measurements", "device", "devices",
    "attributes", "home", "house", "shop", "workshop",
})  # fmt: skip

_PLACES = frozenset({"booth", "rack", "store", "room", "outdoors", "outside", "bench", "yard"})
USUAL_PLACE = "booth"
SHOWN = 3


@dataclass(frozen=True)
class Device:
    """The levels of one device's topic (``{quantity}`` where they differ), and its topics."""

    levels: tuple[str, ...]
    topics: tuple[str, ...]


@dataclass(frozen=True)
class Named:
    """Topic, place and sensor of a proposal; ``spec`` holds that part of a mapping."""

    name: str
    spec: dict[str, Any]
    topics: tuple[str, ...]
    questions: tuple[str, ...]


def name_levels(
    devices: Sequence[Device], places: Sequence[str], everything: Sequence[str]
) -> list[Named]:
    """Name the levels of devices whose payloads are alike; devices of other roots are set apart.

    Parameters
    ----------
    places : sequence of str
        Words of the places there are.
    everything : sequence of str
        Every topic that was heard: what the pattern would take beside these is left out.
    """
    roots: dict[str, list[Device]] = {}
    for device in devices:
        roots.setdefault(device.levels[0], []).append(device)
    tails = {device.levels[1:] for device in devices}
    tail = tails.pop() if len(tails) == 1 else ()
    fixed = [text for text in tail if text != "{quantity}"]
    if len(roots) > 1 and fixed and all(_generic(text) for text in fixed):
        return [_named(devices, places, everything)]  # they begin with the device: x1/state
    return [_named(some, places, everything) for some in roots.values()]


def _named(devices: Sequence[Device], places: Sequence[str], everything: Sequence[str]) -> Named:
    columns = list(zip(*(device.levels for device in devices), strict=True))
    varying = [index for index, texts in enumerate(columns) if len(set(texts)) > 1]
    pattern = list(devices[0].levels)
    place_at, sensor_at = _whose(columns, varying, places)
    questions: list[str] = []
    spec: dict[str, Any] = {}
    for index in varying:
        pattern[index] = "+"
    if place_at is not None:
        pattern[place_at] = "{place}"
    else:
        spec["place"] = _place(columns, places)
        questions.append(f"In which place is it? {spec['place']} is taken.")
    if sensor_at is not None:
        pattern[sensor_at] = "{sensor}"
    else:
        spec["sensor"] = _word(next((t for t in reversed(pattern) if "{" not in t), "sensor"))
    spec["topic"] = "/".join(pattern)
    questions += _about(spec, columns, place_at, sensor_at)
    topics = tuple(topic for device in devices for topic in device.topics)
    if sensor_at is not None:
        questions += _left_out(spec, columns[sensor_at], topics, everything)
    return Named(_name(devices), spec, topics, tuple(questions))


def _whose(
    columns: Sequence[tuple[str, ...]], varying: Sequence[int], places: Sequence[str]
) -> tuple[int | None, int | None]:
    """Return which level is the place and which the sensor."""
    free = [i for i, texts in enumerate(columns) if texts[0] != "{quantity}"]
    place_at = next(
        (
            i
            for i in free
            if (i or varying[:1] == [0]) and all(_is_place(t, places) for t in columns[i])
        ),
        None,
    )
    rest = [i for i in varying if i != place_at]
    if rest:
        # The level with the most texts is the sensor; of others that differ the first is the place.
        sensor_at = max(rest, key=lambda i: (len(set(columns[i])), i))
        others = [i for i in rest if i != sensor_at]
        return (others[0] if place_at is None and others else place_at), sensor_at
    alone = [i for i in free if i not in {0, place_at} and not _generic(columns[i][0])]
    return place_at, alone[-1] if alone else None


def _about(
    spec: dict[str, Any],
    columns: Sequence[tuple[str, ...]],
    place_at: int | None,
    sensor_at: int | None,
) -> list[str]:
    questions = []
    if sensor_at is not None and len(set(columns[sensor_at])) == 1:
        questions.append(
            f"{columns[sensor_at][0]} is taken for the name of the sensor, and others beside it "
            "join by themselves. Is it?"
        )
    if place_at is not None:
        questions.append(
            f"{', '.join(sorted(set(columns[place_at]))[:SHOWN])} is taken for the place. Is it?"
        )
    if "+" in spec["topic"].split("/"):
        questions.append("A level marked + differs from sensor to sensor and is passed over.")
    if sensor_at is not None:
        texts = sorted(set(columns[sensor_at]))
        places = columns[place_at] if place_at is not None else [""] * len(columns[0])
        words = {(p, _word(t)) for p, t in zip(places, columns[sensor_at], strict=True)}
        if len(words) < len({*zip(places, columns[sensor_at], strict=True)}):
            questions.append(f"Some of {', '.join(texts[:SHOWN])} would become one sensor.")
    return questions


def _left_out(
    spec: dict[str, Any],
    sensors: tuple[str, ...],
    topics: Sequence[str],
    everything: Sequence[str],
) -> list[str]:
    """Keep topics of the same form, but with other payloads, out of the pattern."""
    if "{quantity}" in spec["topic"]:
        return []  # told apart by the word already
    try:
        pattern = Pattern.of(spec["topic"], {})
    except ValueError:
        return []  # no pattern that may be adopted: whoever makes a mapping of it says why
    others = [t for t in everything if t not in topics and pattern.match(t) is not None]
    if not others:
        return []
    spec["only"] = sorted(set(sensors))[:100]
    said = ", ".join(others[:SHOWN])
    why = "have the same form but not these values; they are left out by listing the sensors."
    return [f"{len(others)} other topics ({said}) {why}"]


def _name(devices: Sequence[Device]) -> str:
    first = next((t for t in devices[0].levels if t and "{" not in t), "sensor")
    if len(devices) == 1:
        first = next(
            (t for t in reversed(devices[0].levels) if t and "{" not in t and not _generic(t)),
            first,
        )
    said = first[:40].replace("_", " ").replace("-", " ").strip() or "sensor"
    return said[0].upper() + said[1:]


def _place(columns: Sequence[tuple[str, ...]], places: Sequence[str]) -> str:
    named = (_word(texts[0]) for texts in columns if len(set(texts)) == 1)
    usual = places[0] if len(places) == 1 else USUAL_PLACE
    return next((word for word in named if word in places), usual)


def _is_place(text: str, places: Sequence[str]) -> bool:
    if _word(text) in places:
        return True
    return bool(_PLACES & set(tokens(text))) and not _generic(text)


def _generic(text: str) -> bool:
    return not text or all(word in _GENERIC or word.isdigit() for word in tokens(text))


def _word(text: str) -> str:
    try:
        return word_of("sensor", text)
    except PayloadError:
        return "sensor"
