"""Sensor kinds and listening as the API and the page tell them."""

from __future__ import annotations

from collections.abc import Sequence
from functools import lru_cache
from typing import Annotated, Any

from pydantic import BaseModel, ConfigDict, Field

from sensors.halves import Half
from sensors.mapping import Decoder, Mapping
from sensors.proposal import Heard, Overheard, Proposal, Proposals, propose
from sensors.wire import PayloadError, Report
from service.store.errors import BadInput
from service.store.kinds import Kind, checked_mapping
from service.web.deps import Shop
from service.web.models import Instant, Number

__all__ = [
    "KindIn",
    "KindOut",
    "ListenIn",
    "ListeningOut",
    "TriedOut",
    "TryIn",
    "kind_out",
    "listening_out",
    "tried",
    "try_out",
]

Spec = Annotated[
    dict[str, Any],
    Field(
        description="How payloads are read; see the readme, 'Any other sensor'.",
        examples=[
            {
                "topic": "hall/{place}/{sensor}/state",
                "values": {
                    "air_c": {"pointer": "/temp", "unit": "°C"},
                    "rh_pct": {"pointer": "/hum", "unit": "%"},
                },
                "time": {"pointer": "/at", "form": "iso"},
            }
        ],
    ),
]


class _In(BaseModel):
    model_config = ConfigDict(extra="forbid", allow_inf_nan=False)


class ListenIn(_In):
    """For how long to listen to everything the broker carries."""

    seconds: Annotated[int, Field(ge=1, le=600)] = 30


class KindIn(_In):
    """A sensor kind to adopt. Without ``id`` its word is made from the name."""

    name: Annotated[str, Field(min_length=1, max_length=120)]
    mapping: Spec
    id: Annotated[str, Field(pattern=r"^[a-z0-9][a-z0-9_-]{0,63}$")] | None = None


class TryIn(_In):
    """A mapping, and a message to read by it."""

    mapping: Spec
    topic: Annotated[str, Field(min_length=1, max_length=256)]
    payload: Annotated[str, Field(max_length=65_536)]


class TriedOut(BaseModel):
    """What a message would bring; null is what it does not bring.

    With ``half`` it is only part of a reading, and waits for the rest.
    """

    topic: str
    place: str
    sensor: str
    at: Instant
    at_named: bool
    half: bool
    air_c: Number = None
    rh_pct: Number = None
    surface_c: Number = None
    pressure_pa: Number = None
    battery_pct: Number = None


class KindOut(BaseModel):
    """A sensor kind in use; ``trouble`` says why it cannot be used, should it be so."""

    id: str
    name: str
    made_at: Instant
    mapping: dict[str, Any]
    trouble: str | None


class HeardOut(BaseModel):
    """A topic that nothing reads, with its latest payloads; bytes that are no text are escaped."""

    topic: str
    count: int
    samples: list[str]


class ProposalOut(BaseModel):
    """A mapping that may be adopted, what it makes of the samples, and what is not certain."""

    name: str
    mapping: dict[str, Any]
    topics: list[str]
    questions: list[str]
    tried: list[TriedOut]


class UnclearOut(BaseModel):
    """A topic that nothing is proposed for, and why."""

    topic: str
    why: str


class ListeningOut(BaseModel):
    """How far listening has come: ``idle``, ``listening``, ``done`` or ``failed``.

    Proposals are made when it is done. ``more_topics`` counts those there was no room for.
    """

    state: str
    seconds: int
    left_s: float
    problem: str | None
    topics: list[HeardOut]
    more_topics: int
    proposals: list[ProposalOut]
    unclear: list[UnclearOut]


def kind_out(kind: Kind) -> KindOut:
    """A sensor kind."""
    return KindOut(
        id=kind.id,
        name=kind.name,
        made_at=kind.made_at,
        mapping={} if kind.mapping is None else kind.mapping.spec(),
        trouble=kind.trouble,
    )


def listening_out(shop: Shop) -> ListeningOut:
    """What was heard that no kind in use reads, and what is proposed for it."""
    overheard = shop.listener.overheard()
    topics = _unread(shop, overheard)
    found = Proposals((), ())
    if overheard.state == "done" and topics:
        found = _proposed(
            topics, tuple(shop.kinds.places()), getattr(shop.book.now.tz, "key", None)
        )
    samples = {heard.topic: heard for heard in topics}
    return ListeningOut(
        state=overheard.state,
        seconds=overheard.wanted_s,
        left_s=round(overheard.left_s, 1),
        problem=overheard.problem,
        topics=[_heard_out(heard) for heard in topics],
        more_topics=overheard.beyond,
        proposals=[_proposal_out(proposal, samples) for proposal in found.kinds],
        unclear=[UnclearOut(topic=one.topic, why=one.why) for one in found.unclear],
    )


def try_out(mapping: object, topic: str, payload: bytes, shop: Shop) -> list[TriedOut]:
    """Read one message by a mapping; raises BadInput naming the field of either."""
    checked = checked_mapping(mapping)
    try:
        parts = Decoder(checked).decode(topic, payload, shop.clock.now())
    except PayloadError as error:
        raise BadInput(error.field, error.reason) from error
    return [tried(topic, part) for part in parts]


def tried(topic: str, part: Report | Half) -> TriedOut:
    """What one message would bring."""
    shared: dict[str, Any] = {
        "topic": topic,
        "place": part.place,
        "sensor": part.sensor,
        "at": part.at,
        "at_named": part.timed,
    }
    if isinstance(part, Half):
        return TriedOut(**shared, half=True, **{part.quantity: part.value})
    return TriedOut(
        **shared,
        half=False,
        air_c=part.air_c,
        rh_pct=part.rh_pct,
        surface_c=part.surface_c,
        pressure_pa=part.pressure_pa,
        battery_pct=part.battery_pct,
    )


@lru_cache(maxsize=2)  # a page that is looked at again asks for the same
def _proposed(topics: tuple[Heard, ...], places: tuple[str, ...], zone: str | None) -> Proposals:
    return propose(topics, places=places, zone=zone)


def _unread(shop: Shop, overheard: Overheard) -> tuple[Heard, ...]:
    reads = shop.kinds.reads()
    return tuple(heard for heard in overheard.topics if not reads(heard.topic))


def _heard_out(heard: Heard) -> HeardOut:
    samples = [sample.decode("utf-8", "backslashreplace") for sample in heard.samples]
    return HeardOut(topic=heard.topic, count=heard.count, samples=samples)


def _proposal_out(proposal: Proposal, samples: dict[str, Heard]) -> ProposalOut:
    return ProposalOut(
        name=proposal.name,
        mapping=proposal.mapping.spec(),
        topics=list(proposal.topics),
        questions=list(proposal.questions),
        tried=_tried(proposal.mapping, [samples[topic] for topic in proposal.topics]),
    )


def _tried(mapping: Mapping, some: Sequence[Heard]) -> list[TriedOut]:
    decoder, found = Decoder(mapping), list[TriedOut]()
    for heard in some:
        for sample in heard.samples[-1:]:
            try:
                parts = decoder.decode(heard.topic, sample, heard.received_at)
            except PayloadError:
                continue  # another sample of the same topic may do
            found += [tried(heard.topic, part) for part in parts]
    return found
