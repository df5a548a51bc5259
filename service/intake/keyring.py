"""Who may come into the embedded broker, and what each may publish and read there.

A copy of the keys in memory: the broker asks at every message, from its own thread.
"""

from __future__ import annotations

import hmac
import ipaddress
import logging
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, field

from paho.mqtt.client import topic_matches_sub

from sensors.payloads import is_own
from service.intake.foretold import TOPIC as FORECAST
from service.store.secrets_kept import fits
from service.store.tables import SensorKey

__all__ = ["SENSOR_USER", "SERVICE_USER", "Keyring", "Rights", "is_loopback"]

SERVICE_USER, SENSOR_USER = "boothglass", "sensor"

log = logging.getLogger(__name__)


@dataclass(frozen=True)
class Rights:
    """What one visitor may do.

    ``name`` is that of its session, which nobody else can take over; where it is not ``alone``,
    its client id is added.
    """

    name: str
    all: bool = False
    alone: bool = False
    shared: bool = False
    """Whether it came without a key of its own: any topic that is not the service's."""
    nameless: bool = False
    """Whether it gave no password at all: it may bring, and is told nothing."""
    topics: tuple[str, ...] = ()
    reads: tuple[str, ...] = ()

    def may_publish(self, topic: str) -> bool:
        """Whether it may publish to a topic."""
        if self.all:
            return True
        if self.shared:
            return not is_own(topic) or topic == FORECAST
        return any(topic_matches_sub(mine, topic) for mine in self.topics)

    def may_read(self, topic: str) -> bool:
        """Whether it may be handed what was published to a topic."""
        if self.all or self.shared:
            return not self.nameless
        return any(topic_matches_sub(one, topic) for one in self.reads)

    def may_subscribe(self, filter_: str) -> bool:
        """Whether it may ask for a filter; what it is handed is asked again, message by message."""
        if self.all or self.shared:
            return not self.nameless
        return any(_within(filter_, one) for one in self.reads)


@dataclass
class Keyring:
    """The keys there are.

    Parameters
    ----------
    service_password, sensor_password : str
        Of the service itself, and the one that this machine's own tools share.
    keys : callable
        Reads the sensors' keys.
    open_to_all, open_here : bool
        Whether somebody without a key is let in from anywhere, or from this machine.
    """

    service_password: str
    sensor_password: str
    keys: Callable[[], Sequence[SensorKey]] = tuple
    open_to_all: bool = False
    open_here: bool = True
    on_change: Callable[[], None] = lambda: None
    problem: str | None = None
    _known: Mapping[str, SensorKey] = field(default_factory=dict)

    def refresh(self) -> None:
        """Take note of keys that were made or ended; an error waits for the next time."""
        try:
            known = {key.user: key for key in self.keys()}
        except Exception as error:  # noqa: BLE001 -- kept as a problem, and tried again
            self.problem = f"{type(error).__name__}: {error}"
            log.warning("keys of sensors cannot be read: %s", error)
            return
        self.problem = None
        changed = _marks(known) != _marks(self._known)
        self._known = known
        if changed:
            self.on_change()

    def rights(self, user: str | None, password: str | None, address: str | None) -> Rights | None:
        """Say what a visitor may do who gives this name and password; None: it stays outside."""
        given, here = password or "", is_loopback(address)
        if user == SERVICE_USER:
            right = here and hmac.compare_digest(given.encode(), self.service_password.encode())
            return Rights("service", all=True) if right else None
        if user == SENSOR_USER:
            right = hmac.compare_digest(given.encode(), self.sensor_password.encode())
            return Rights("shared", shared=True) if right and (here or self.open_to_all) else None
        if user is None or (user == "" and not given):
            allowed = self.open_to_all or (here and self.open_here)
            return Rights("nameless", shared=True, nameless=True) if allowed else None
        key = self._known.get(user)
        if key is None or not fits(given, key.secret_hash):
            return None
        return Rights(
            f"key/{key.user}", alone=True, topics=tuple(key.topics), reads=tuple(key.reads)
        )

    def mark(self, user: str | None) -> str | None:
        """Return what tells a key from the one that replaces it; None where there is none."""
        key = self._known.get(user or "")
        return None if key is None else key.secret_hash


def is_loopback(address: str | None) -> bool:
    """Whether a visitor sits on this machine."""
    try:
        found = ipaddress.ip_address((address or "").split("%")[0])
    except ValueError:
        return False
    mapped = getattr(found, "ipv4_mapped", None)
    return bool((mapped or found).is_loopback)


def _marks(
    keys: Mapping[str, SensorKey],
) -> dict[str, tuple[str, tuple[str, ...], tuple[str, ...]]]:
    return {
        user: (key.secret_hash, tuple(key.topics), tuple(key.reads)) for user, key in keys.items()
    }


def _within(asked: str, allowed: str) -> bool:
    """Whether every topic that ``asked`` takes is one that ``allowed`` takes."""
    if allowed.endswith("/#"):
        return asked.startswith(allowed[:-1]) or asked == allowed[:-2]
    return asked == allowed
