"""Mappings proposed from what a broker carries: topics with a few sample payloads each.

Pure guesswork, said as such: whatever is not certain comes as a question. Nothing here adopts
anything.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from datetime import datetime
from typing import Any, Literal

from sensors.guess import quantities_among, quantity_called, time_among, unit_of
from sensors.leaves import Leaf, document_of, leaves_of, number_in, tokens
from sensors.mapping import Decoder, MappingError, mapping_of
from sensors.mapping import Mapping as SensorMapping
from sensors.naming import Device, Named, name_levels
from sensors.units import unit_called
from sensors.wire import PayloadError

__all__ = ["Heard", "ListenError", "Overheard", "Proposal", "Proposals", "Unclear", "propose"]

BOTH = ("air_c", "rh_pct")


@dataclass(frozen=True)
class Heard:
    """A topic with some of its latest payloads, the last of which came at ``received_at``."""

    topic: str
    count: int
    samples: tuple[bytes, ...]
    received_at: datetime


class ListenError(RuntimeError):
    """Listening cannot begin; the message says why."""


@dataclass(frozen=True)
class Overheard:
    """How far listening to a broker has come, and what was heard; kept nowhere.

    ``beyond`` counts topics that there was no room for; ``problem`` says why nothing is heard.
    """

    state: Literal["idle", "listening", "done", "failed"] = "idle"
    wanted_s: int = 0
    left_s: float = 0.0
    topics: tuple[Heard, ...] = ()
    beyond: int = 0
    problem: str | None = None


@dataclass(frozen=True)
class Proposal:
    """A mapping for some topics of one shape, and what is to be asked before it is adopted."""

    name: str
    mapping: SensorMapping
    topics: tuple[str, ...]
    questions: tuple[str, ...]


@dataclass(frozen=True)
class Unclear:
    """A topic that nothing is proposed for, and why."""

    topic: str
    why: str


@dataclass(frozen=True)
class Proposals:
    """Everything that can be said of what was heard."""

    kinds: tuple[Proposal, ...]
    unclear: tuple[Unclear, ...]


@dataclass(frozen=True)
class _Seen:
    """One topic taken apart: the leaves of each sample, and which leaf holds what."""

    heard: Heard
    samples: tuple[tuple[Leaf, ...], ...]
    found: Mapping[str, Leaf]
    questions: tuple[str, ...]

    @property
    def whole(self) -> bool:
        return all(quantity in self.found for quantity in BOTH)


@dataclass(frozen=True)
class _Part:
    """A topic that brings one quantity, told by the word in one of its levels."""

    seen: _Seen
    level: int
    quantity: str
    leaf: Leaf

    @property
    def device(self) -> tuple[str, ...]:
        levels = self.seen.heard.topic.split("/")
        return (*levels[: self.level], "{quantity}", *levels[self.level + 1 :])

    @property
    def word(self) -> str:
        return self.seen.heard.topic.split("/")[self.level]


def propose(
    heard: Sequence[Heard], *, places: Sequence[str] = (), zone: str | None = None
) -> Proposals:
    """Propose sensor kinds for what was heard.

    Parameters
    ----------
    heard : sequence of Heard
        Topics that nothing reads yet.
    places : sequence of str
        The words of the places there are; a level of that name is taken for the place.
    zone : str, optional
        The shop's zone, for times that name none.
    """
    everything = [one.topic for one in heard]
    kinds: list[Proposal] = []
    unclear: list[Unclear] = []
    parts: list[_Part] = []
    wholes: dict[object, list[_Seen]] = {}
    for one in heard:
        seen = _look(one)
        part = None if seen.whole else _part(seen)
        if seen.whole:
            shape = tuple(sorted((q, leaf.steps) for q, leaf in seen.found.items() if q in BOTH))
            wholes.setdefault((one.topic.count("/"), shape), []).append(seen)
        elif part is not None:
            parts.append(part)
        else:
            unclear.append(Unclear(one.topic, _why(seen)))
    for group in wholes.values():
        devices = [Device(tuple(s.heard.topic.split("/")), (s.heard.topic,)) for s in group]
        for named in name_levels(devices, places, everything):
            some = [s for s in group if s.heard.topic in named.topics]
            _add(kinds, unclear, named, some, *_whole_kind(some, zone))
    for pieces in _devices(parts, unclear):
        devices = [
            Device(device, tuple(p.seen.heard.topic for p in some)) for device, some in pieces
        ]
        for named in name_levels(devices, places, everything):
            mine = [p for _, some in pieces for p in some if p.seen.heard.topic in named.topics]
            _add(kinds, unclear, named, [p.seen for p in mine], *_word_kind(mine, zone))
    order = {topic: index for index, topic in enumerate(everything)}
    return Proposals(
        tuple(sorted(kinds, key=lambda kind: order[kind.topics[0]])),
        tuple(sorted(unclear, key=lambda one: order[one.topic])),
    )


def _look(heard: Heard) -> _Seen:
    documents = [document_of(payload) for payload in heard.samples]
    samples = tuple(tuple(leaves_of(found)) for found in documents if found is not None)
    # A message may bring only some of the values: of each leaf the latest sight counts.
    latest = {leaf.steps: leaf for leaves in samples for leaf in leaves}
    found, questions = quantities_among(latest.values())
    return _Seen(heard, samples, found, tuple(questions))


def _part(seen: _Seen) -> _Part | None:
    """Take a topic for one that brings a single quantity, if one of its levels says which."""
    levels = seen.heard.topic.split("/")
    for level in range(len(levels) - 1, -1, -1):
        known = quantity_called(levels[level])
        if known is None:
            continue
        latest = {leaf.steps: leaf for leaves in seen.samples for leaf in leaves}
        numbers = [leaf for leaf in latest.values() if number_in(leaf.value) is not None]
        own = seen.found.get(known[0])
        plain = [leaf for leaf in numbers if not leaf.steps or _value_like(leaf)]
        leaf = own or next(iter(plain), None) or (numbers[0] if len(numbers) == 1 else None)
        if leaf is not None:
            return _Part(seen, level, known[0], leaf)
    return None


def _value_like(leaf: Leaf) -> bool:
    return str(leaf.steps[-1]).lower() in {"value", "val", "v", "state", "current", "reading"}


def _devices(
    parts: Sequence[_Part], unclear: list[Unclear]
) -> Iterable[list[tuple[tuple[str, ...], list[_Part]]]]:
    """Put the parts of a device together, and devices of one shape."""
    by_device: dict[tuple[str, ...], list[_Part]] = {}
    for part in parts:
        by_device.setdefault(part.device, []).append(part)
    shapes: dict[object, list[tuple[tuple[str, ...], list[_Part]]]] = {}
    for device, some in by_device.items():
        brought = {part.quantity for part in some}
        missing = [quantity for quantity in BOTH if quantity not in brought]
        if missing:
            other = "humidity" if missing[0] == "rh_pct" else "air temperature"
            unclear += [Unclear(p.seen.heard.topic, f"no {other} beside it") for p in some]
            continue
        shape = tuple(
            sorted((p.word, p.quantity, p.leaf.pointer) for p in some if p.quantity in BOTH)
        )
        shapes.setdefault((len(device), device.index("{quantity}"), shape), []).append(
            (device, some)
        )
    return shapes.values()


def _whole_kind(
    group: Sequence[_Seen], zone: str | None
) -> tuple[dict[str, Any], list[str], list[str]]:
    """Return the mapping but for its topic, the questions, and what was left out and why."""
    spec: dict[str, Any] = {"values": {}}
    questions, left = list(dict.fromkeys(q for seen in group for q in seen.questions)), list[str]()
    chosen: dict[str, Leaf] = {}
    for seen in group:
        for quantity, leaf in seen.found.items():
            chosen.setdefault(quantity, leaf)
    for quantity, leaf in chosen.items():
        same = _same(group, leaf.steps)
        unit = unit_of(quantity, *_values(same, _unit_said(group, quantity, leaf)), name=leaf.name)
        if unit is None:
            left.append(f"{leaf.pointer} = {leaf.value!r} cannot be {quantity}")
            continue
        spec["values"][quantity] = {"pointer": leaf.pointer, "unit": unit.unit}
        questions += [unit.question] if unit.question else []
        if any(isinstance(one.value, str) for one in same):
            spec["text_numbers"] = True
    pointers = {chosen[q].steps for q in BOTH}
    if any(
        len(pointers & {leaf.steps for leaf in leaves}) == 1
        for seen in group
        for leaves in seen.samples
    ):
        spec["partial"] = True
        questions.append(
            "Some messages bring only one of air and humidity; they are joined where both come "
            "within 120 s. Is that how it sends?"
        )
    _add_time(spec, questions, group, zone)
    return spec, questions, left


def _word_kind(
    parts: Sequence[_Part], zone: str | None
) -> tuple[dict[str, Any], list[str], list[str]]:
    spec: dict[str, Any] = {"words": {}}
    questions, left = list[str](), list[str]()
    for word in dict.fromkeys(part.word for part in parts):
        some = [part for part in parts if part.word == word]
        first = some[0]
        same = [leaf for p in some for leaf in _same([p.seen], p.leaf.steps)]
        values, said = _values(same, first.leaf.unit)
        unit = unit_of(first.quantity, values, said, name=word)
        if unit is None:
            left.append(f"{word} = {first.leaf.value!r} cannot be {first.quantity}")
            continue
        spec["words"][word] = {"quantity": first.quantity, "unit": unit.unit}
        if first.leaf.pointer:
            spec["words"][word]["pointer"] = first.leaf.pointer
            if any(isinstance(leaf.value, str) for leaf in same):
                spec["text_numbers"] = True
        questions += [unit.question] if unit.question else []
    _add_time(spec, questions, [part.seen for part in parts], zone)
    return spec, questions, left


def _add_time(
    spec: dict[str, Any], questions: list[str], group: Sequence[_Seen], zone: str | None
) -> None:
    latest = [leaf for seen in group for leaf in (seen.samples[-1] if seen.samples else ())]
    clocked = time_among(latest, group[0].heard.received_at, zone)
    if clocked is None:
        return
    spec["time"] = clocked.when.model_dump(exclude_defaults=True)
    text = any(
        leaf.pointer == clocked.when.pointer and isinstance(leaf.value, str) for leaf in latest
    )
    if text and clocked.when.form != "iso":
        spec["text_numbers"] = True
    questions += [clocked.question] if clocked.question else []


def _add(
    kinds: list[Proposal],
    unclear: list[Unclear],
    named: Named,
    group: Sequence[_Seen],
    spec: dict[str, Any],
    questions: Sequence[str],
    left: Sequence[str],
) -> None:
    try:
        mapping = mapping_of(spec | named.spec)
        refusal = _refusal(Decoder(mapping), group)
    except MappingError as error:
        refusal = str(left[0] if left else error)
    if refusal is not None:
        unclear += [Unclear(topic, refusal) for topic in named.topics]
        return
    asked = [*named.questions, *questions, *(f"{one}, so it is left out." for one in left)]
    kinds.append(Proposal(named.name, mapping, named.topics, tuple(dict.fromkeys(asked))))


def _refusal(decoder: Decoder, group: Sequence[_Seen]) -> str | None:
    """Say why the mapping reads none of the samples, should it be so."""
    refusal: PayloadError | None = None
    for seen in group:
        for payload in seen.heard.samples:
            try:
                decoder.decode(seen.heard.topic, payload, seen.heard.received_at)
            except PayloadError as error:
                refusal = error
            else:
                return None
    return str(refusal)


def _same(group: Sequence[_Seen], steps: tuple[str | int, ...]) -> list[Leaf]:
    return [
        leaf
        for seen in group
        for leaves in seen.samples
        for leaf in leaves
        if leaf.steps == steps and number_in(leaf.value) is not None
    ]


def _values(leaves: Sequence[Leaf], said: str | None) -> tuple[list[float], str | None]:
    found = [number for leaf in leaves if (number := number_in(leaf.value)) is not None]
    written = next((unit for _, unit in found if unit is not None), None)
    return [value for value, _ in found], written or said


def _unit_said(group: Sequence[_Seen], quantity: str, leaf: Leaf) -> str | None:
    """Return the unit beside the leaf, or the one a leaf such as ``temp_unit`` names for it."""
    if leaf.unit is not None:
        return leaf.unit
    for seen in group:
        for other in seen.samples[-1] if seen.samples else ():
            words = tokens(other.name)
            if "unit" not in words or not isinstance(other.value, str):
                continue
            about = quantity_called(" ".join(word for word in words if word != "unit"))
            if unit_called(other.value) and (about is None or about[0] == quantity):
                return other.value
    return None


def _why(seen: _Seen) -> str:
    leaves = [leaf for some in seen.samples for leaf in some]
    if not seen.samples:
        return "neither JSON nor a number" if any(seen.heard.samples) else "empty"
    if not any(number_in(leaf.value) is not None for leaf in leaves):
        return "holds no number"
    if "air_c" in seen.found:
        return "holds an air temperature, but no humidity"
    if "rh_pct" in seen.found:
        return "holds a humidity, but no air temperature"
    return "holds nothing that is called temperature or humidity"
