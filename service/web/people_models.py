"""What the API takes and gives of people, channels and deliveries. Secrets only come in."""

from __future__ import annotations

from typing import Annotated, Any, Literal

from pydantic import Field

from service.shop.notices import NOTICE_KINDS
from service.store.tables import Channel, Delivery, Person
from service.web.inputs import _In
from service.web.models import Instant, _Out
from service.web.people_words import shown_address
from service.web.scalars import RowId

__all__ = [
    "ChannelChangeIn",
    "ChannelIn",
    "ChannelOut",
    "DeliveryOut",
    "PersonChangeIn",
    "PersonIn",
    "PersonOut",
    "TellingIn",
    "TriedOut",
    "WayIn",
    "channel_out",
    "delivery_out",
    "person_out",
]

Name = Annotated[str, Field(min_length=1, max_length=80)]
Kinds = Annotated[
    list[Annotated[str, Field(max_length=32)]],
    Field(max_length=100, examples=[sorted(NOTICE_KINDS)[:2]]),
]
Prefs = Annotated[dict[str, str | int | None], Field(max_length=20)]
TimeOfDay = Annotated[str, Field(max_length=8, examples=["21:30"])]


class WayIn(_In):
    """When a channel has its turn, and which kinds of notices go by it (null: all)."""

    turn: Literal["first", "later", "off"] = "first"
    kinds: Kinds | None = None


class TellingIn(_In):
    """What a person is told, when, and who is asked next; what is left out is as usual."""

    kinds: Kinds | None = None
    quiet_from: TimeOfDay | None = None
    quiet_until: TimeOfDay | None = None
    breaks_quiet: Kinds | None = None
    group_min: Annotated[float, Field(ge=0, le=240)] | None = None
    escalate_min: Annotated[float, Field(ge=1, le=1440)] | None = None
    escalate_kinds: Kinds | None = None
    then_person: RowId | None = None
    ways: Annotated[dict[str, WayIn], Field(max_length=50)] | None = None


class PersonIn(_In):
    """Somebody who is told things."""

    name: Name
    prefs: Prefs | None = None
    telling: TellingIn | None = None


class PersonChangeIn(_In):
    """What changes of a person; ``prefs`` and ``telling`` are taken as a whole."""

    name: Name | None = None
    prefs: Prefs | None = None
    telling: TellingIn | None = None


class ChannelIn(_In):
    """A way to reach a person; ``config`` is what this kind of channel needs."""

    kind: Annotated[str, Field(min_length=1, max_length=16)]
    name: Annotated[str, Field(max_length=80)] = ""
    config: Annotated[dict[str, Any], Field(max_length=20, default_factory=dict)]


class ChannelChangeIn(_In):
    """What changes of a channel."""

    name: Name | None = None
    config: Annotated[dict[str, Any], Field(max_length=20)] | None = None


class PersonOut(_Out):
    """A person with all rules said."""

    id: int
    name: str
    prefs: dict[str, Any]
    telling: dict[str, Any]


class ChannelOut(_Out):
    """A way to reach a person; ``address`` tells no secret."""

    id: int
    kind: str
    name: str
    address: str
    made_at: Instant
    last_ok_at: Instant | None
    failing_since: Instant | None
    last_error: str


class DeliveryOut(_Out):
    """One message to one person by one channel."""

    id: int
    kind: str
    notices: list[int]
    person: int
    channel: int
    level: int
    urgent: bool
    due_at: Instant
    state: str
    tries: int
    last_error: str
    sent_at: Instant | None
    acknowledged_at: Instant | None


class TriedOut(_Out):
    """Whether a test went out, and if not, why."""

    sent: bool
    error: str | None


def person_out(row: Person, rules: dict[str, Any]) -> PersonOut:
    """A person."""
    return PersonOut(id=int(row.id or 0), name=row.name, prefs=row.prefs, telling=rules)


def channel_out(row: Channel) -> ChannelOut:
    """A channel, without what is secret."""
    return ChannelOut(
        id=int(row.id or 0),
        kind=row.kind,
        name=row.name,
        address=shown_address(row.kind, row.config),
        made_at=row.made_at,
        last_ok_at=row.last_ok_at,
        failing_since=row.failing_since,
        last_error=row.last_error,
    )


def delivery_out(row: Delivery) -> DeliveryOut:
    """A delivery, without its token."""
    return DeliveryOut(
        id=int(row.id or 0),
        kind=row.kind,
        notices=row.notices,
        person=row.person_id,
        channel=row.channel_id,
        level=row.level,
        urgent=row.urgent,
        due_at=row.due_at,
        state=row.state,
        tries=row.tries,
        last_error=row.last_error,
        sent_at=row.sent_at,
        acknowledged_at=row.acknowledged_at,
    )
