"""Who may publish what: each sensor's user, its hashed secret and its topics; and pairing codes."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass
from datetime import datetime, timedelta

from sqlmodel import Session, col, delete, select, update

from sensors.payloads import TOPIC_ROOT, shop_root, topic_of
from sensors.wire import PayloadError
from service.clock import Clock, WallClock
from service.shop.said import say
from service.store.attempts import Attempts
from service.store.db import Database
from service.store.errors import BadInput, Conflict, NotFound
from service.store.secrets_kept import CODE_LONG, code_digest, hashed, new_code, new_secret
from service.store.tables import PairingCode, SensorKey

__all__ = ["CODE_LIVES", "MOST_KEYS", "BrokerKey", "NewKey", "SensorKeys", "Wanted"]

CODE_LIVES = timedelta(minutes=10)
ATTEMPTS = "wrong pairing codes"
MOST_KEYS = 500
MOST_CODES = 20
"""Codes that are good at once; a page left on a timer must not fill a table."""

MOST_TOPICS = 20
LONGEST_TOPIC, LONGEST_NAME = 256, 64
FORECAST = f"{TOPIC_ROOT}/$forecast"
"""The one topic of the service's own that others publish to."""

NOTICES = (f"{TOPIC_ROOT}/notices/#", f"{TOPIC_ROOT}/people/#")
"""What another program may be let read."""


@dataclass(frozen=True)
class Wanted:
    """For whom a key is to be: a sensor of a place, or a device with topics of its own.

    ``topics`` are what it may publish to besides its own; ``reads`` what it may subscribe to.
    """

    place: str = ""
    sensor: str = ""
    topics: tuple[str, ...] = ()
    reads: tuple[str, ...] = ()


@dataclass(frozen=True)
class NewKey:
    """A key just made: the only time its secret is there to be shown."""

    user: str
    secret: str
    topics: tuple[str, ...]
    place: str | None
    sensor: str


@dataclass(frozen=True)
class BrokerKey:
    """A key as the broker has to know it."""

    user: str
    secret_hash: str
    topics: tuple[str, ...]
    reads: tuple[str, ...]


class SensorKeys:
    """The keys of a shop's sensors. Every method is one transaction.

    Codes live by the machine's clock: a driven one may race through ten minutes in a second.

    Parameters
    ----------
    shop : str
        The shop's word where many share a broker: devices and broker are then told users and
        topics that begin with it, so that no shop's sensor can speak for another's.
    """

    def __init__(
        self, db: Database, clock: Clock, wall: Clock | None = None, *, shop: str = ""
    ) -> None:
        self._db, self._clock, self._wall = db, clock, wall or WallClock()
        self._user, self._root = f"{shop}." if shop else "", shop_root(shop)

    def live(self) -> list[SensorKey]:
        """Every key that lets somebody in, by its user."""
        with self._db.read() as session:
            live = select(SensorKey).where(col(SensorKey.ended_at).is_(None))
            return list(session.exec(live.order_by(col(SensorKey.user))).all())

    def for_broker(self) -> list[BrokerKey]:
        """Return the same keys, as the broker has to know them."""
        return [
            BrokerKey(
                self._user + key.user, key.secret_hash, *map(self._outside, (key.topics, key.reads))
            )
            for key in self.live()
        ]

    def make(self, wanted: Wanted) -> NewKey:
        """Make a key; one that the same user had is replaced.

        Raises
        ------
        BadInput
            Naming ``place``, ``sensor``, ``topics`` or ``reads``.
        Conflict
            Where there are too many.
        """
        asked = _checked(wanted)
        with self._db.write() as session:
            return self._make(session, asked)

    def end(self, user: str) -> None:
        """Let nobody in by this key any more; raises NotFound."""
        with self._db.write() as session:
            row = session.get(SensorKey, user)
            if row is None or row.ended_at is not None:
                raise NotFound("user", say("there is no such key"))
            row.ended_at, row.secret_hash = self._clock.now(), ""
            session.add(row)

    def open_code(self, wanted: Wanted) -> tuple[str, datetime]:
        """Make a code for one device to fetch its key with; returns it and until when it is good.

        Raises
        ------
        BadInput
            As :meth:`make` does.
        Conflict
            Where too many codes are open.
        """
        asked, code, now = _checked(wanted), new_code(), self._wall.now()
        until = now + CODE_LIVES
        with self._db.write() as session:
            session.exec(delete(PairingCode).where(col(PairingCode.until) < now - CODE_LIVES))
            good = col(PairingCode.until) > now, col(PairingCode.used_at).is_(None)
            if len(session.exec(select(PairingCode.id).where(*good)).all()) >= MOST_CODES:
                raise Conflict("code", say("too many codes are open; wait until one has run out"))
            session.add(
                PairingCode(
                    digest=code_digest(code),
                    place_id=asked.place or None,
                    sensor=asked.sensor,
                    topics=list(asked.topics),
                    reads=list(asked.reads),
                    until=until,
                )
            )
        return code, until

    def attempts(self, each: int, of_all: int, within: timedelta) -> Attempts:
        """Return the count of wrong codes: so many of one address and of all within a time."""
        return Attempts(self._db, self._wall, ATTEMPTS, each, of_all, within)

    def redeem(self, code: str) -> NewKey | None:
        """Give the key that a code stands for, once; None for a code that is not good."""
        if len("".join(letter for letter in code if letter.isalnum())) != CODE_LONG:
            return None
        now = self._wall.now()
        with self._db.write() as session:
            mine = (
                col(PairingCode.digest) == code_digest(code),
                col(PairingCode.used_at).is_(None),
                col(PairingCode.until) > now,
            )
            row = session.exec(select(PairingCode).where(*mine)).first()
            # Whoever changes the row has it: of two devices with one code only one is let in.
            if (
                row is None
                or not session.exec(update(PairingCode).where(*mine).values(used_at=now)).rowcount
            ):
                return None
            wanted = Wanted(row.place_id or "", row.sensor, tuple(row.topics), tuple(row.reads))
            return self._make(session, wanted)

    def _make(self, session: Session, wanted: Wanted) -> NewKey:
        user = f"{wanted.place}.{wanted.sensor}" if wanted.place else wanted.sensor
        known = session.get(SensorKey, user)
        if known is None and len(session.exec(select(SensorKey.user)).all()) >= MOST_KEYS:
            raise Conflict("sensor", say("there are {most} keys already", most=MOST_KEYS))
        own = (topic_of(wanted.place, wanted.sensor),) if wanted.place else ()
        secret, topics = new_secret(), own + wanted.topics
        session.merge(
            SensorKey(
                user=user,
                place_id=wanted.place or None,
                sensor=wanted.sensor,
                topics=list(topics),
                reads=list(wanted.reads),
                secret_hash=hashed(secret),
                made_at=self._clock.now(),
                ended_at=None,
            )
        )
        return NewKey(
            self._user + user, secret, self._outside(topics), wanted.place or None, wanted.sensor
        )

    def _outside(self, topics: Iterable[str]) -> tuple[str, ...]:
        return tuple(self._root + topic for topic in topics)


def _checked(wanted: Wanted) -> Wanted:
    place, sensor = wanted.place.strip().lower(), wanted.sensor.strip().lower()
    try:
        topic_of(place or "booth", sensor)
    except PayloadError as error:
        raise BadInput(error.field, error.reason) from error
    topics = tuple(dict.fromkeys(_topic("topics", topic) for topic in wanted.topics))
    reads = tuple(dict.fromkeys(_topic("reads", topic) for topic in wanted.reads))
    if not place and not topics and not reads:
        raise BadInput("place", say("is missing: name the place, or the topics of the device"))
    if not place and sensor in {"boothglass", "sensor"}:
        raise BadInput("sensor", say("is the name of a user of the service's own"))
    if len(topics) + len(reads) > MOST_TOPICS:
        raise BadInput("topics", say("are more than {most}", most=MOST_TOPICS))
    return Wanted(place, sensor, topics, reads)


def _topic(field: str, text: str) -> str:
    """Return a topic, or a branch of topics (``hall/w1/#``), that somebody may be given."""
    topic = text.strip()
    levels = topic.split("/")
    # What stands in a broker's file of rights stands there on a line of its own.
    if not topic.isprintable() or len(topic) > LONGEST_TOPIC or "%" in topic or topic != text:
        raise BadInput(field, say("{topic} is no topic", topic=repr(text[:80])))
    if "+" in topic or "#" in topic.removesuffix("/#") or not levels[0]:
        raise BadInput(
            field, say("{topic}: give a whole topic, or a branch such as hall/w1/#", topic=topic)
        )
    allowed = {"topics": (FORECAST,), "reads": (*NOTICES, FORECAST)}[field]
    if topic not in allowed and (levels[0].startswith("$") or levels[0] == TOPIC_ROOT):
        raise BadInput(field, say("{topic} is the service's own", topic=topic))
    return topic
