"""Which sessions the intake has at the broker, and what each is subscribed to.

One process alone has one session with one plain subscription. Several workers have a session each,
and share one subscription (MQTT 5, 4.8.2): the broker hands every message to one of them. What must
not be dealt out, the two halves of a reading, goes to one further session for each slice of the
shops, which whoever leads for that slice takes up.
"""

from __future__ import annotations

import contextlib
import secrets
from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path

from sensors.payloads import SHOPS, TOPIC_FILTER, TOPIC_ROOT

__all__ = ["Terms", "client_id", "inner_topic", "of_every_shop", "shop_of_topic"]

GROUP = "boothglass"


def _as_it_is(topic: str) -> str:
    return topic


@dataclass(frozen=True)
class Terms:
    """One session.

    ``topics`` are subscribed to when it begins; ``gone`` are what an earlier use of the same
    session may have been subscribed to; ``inner`` gives a topic as its shop knows it.
    """

    client_id: str
    topics: tuple[str, ...]
    gone: tuple[str, ...] = ()
    shared: bool = False
    guards: bool = False
    """Whether readings come to it only in case they come to nobody else."""
    inner: Callable[[str], str] = _as_it_is

    @property
    def marker(self) -> str:
        """Topic on which the session sends itself a mark, to know what lies behind it."""
        return _marker(self.client_id)

    @classmethod
    def alone(cls, base: str) -> Terms:
        """Of the only process there is; the marker's topic is among those of sensors."""
        return cls(base, (TOPIC_FILTER,))

    @classmethod
    def of_worker(cls, base: str, number: int, *, many: bool) -> Terms:
        """Of one worker among others."""
        named = f"{base}-{number}"
        return cls(named, (_share(many=many), _marker(named)), shared=True, inner=inner_topic)

    @classmethod
    def of_slice(cls, base: str, which: int, *, many: bool) -> Terms:
        """Of who leads for a slice; the first slice has the session of the one process.

        That one stays subscribed to all readings, in case the broker deals them out to nobody.
        """
        if which > 0:
            named = f"{base}-s{which}"
            return cls(named, (_marker(named),), shared=True, inner=inner_topic)
        topics = (_plain(many=many), _marker(base))
        gone = (_plain(many=not many),)
        return cls(base, topics, gone, shared=True, guards=True, inner=inner_topic)

    @classmethod
    def of_gone(cls, base: str, number: int) -> Terms:
        """Of a worker that will not come back: what waits there is taken, and nothing new."""
        named = f"{base}-{number}"
        gone = (_share(many=False), _share(many=True))
        return cls(named, (_marker(named),), gone, shared=True, inner=inner_topic)


def _marker(named: str) -> str:
    return f"{TOPIC_ROOT}/$intake/{named}"


def of_every_shop(topic: str, *, many: bool) -> str:
    """Return what to subscribe to for a topic of every shop that there is."""
    return f"{SHOPS}/+/{topic}" if many else topic


def _plain(*, many: bool) -> str:
    return of_every_shop(TOPIC_FILTER, many=many)


def _share(*, many: bool) -> str:
    return f"$share/{GROUP}/{_plain(many=many)}"


def shop_of_topic(topic: str) -> str:
    """Return the word of the shop that a topic belongs to; empty: it names none."""
    parts = topic.split("/", 2)
    return parts[1] if len(parts) == 3 and parts[0] == SHOPS else ""


def inner_topic(topic: str) -> str:
    """Return a topic as its shop knows it."""
    parts = topic.split("/", 2)
    return parts[2] if len(parts) == 3 and parts[0] == SHOPS else topic


def client_id(data_folder: Path) -> str:
    """Return the kept client id; under another one the broker would not know our session."""
    kept = data_folder / "mqtt-client-id"
    if not kept.exists():
        draft = kept.with_name(f"mqtt-client-id.{secrets.token_hex(4)}")
        draft.write_text(f"boothglass-{secrets.token_hex(6)}")
        with contextlib.suppress(FileExistsError):  # whoever is first is right for all
            kept.hardlink_to(draft)
        draft.unlink()
    return kept.read_text().strip()
