"""Sensor kinds: how the payloads of foreign sensors are read, adopted and retired as data."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from datetime import datetime

from sqlmodel import Session, col, select

from sensors.mapping import Decoder, Mapping, MappingError, mapping_of
from sensors.topics import overlap, word_of
from sensors.wire import PayloadError
from service.clock import Clock
from service.shop.said import say
from service.store.db import Database
from service.store.errors import BadInput, Conflict, NotFound
from service.store.fields import text
from service.store.tables import Place, SensorKind

__all__ = ["MOST_KINDS", "Kind", "Kinds", "checked_mapping"]

MOST_KINDS = 100


@dataclass(frozen=True)
class Kind:
    """A sensor kind in use; ``mapping`` is None where ``trouble`` says why it cannot be used."""

    id: str
    name: str
    made_at: datetime
    mapping: Mapping | None
    trouble: str | None = None


class Kinds:
    """The sensor kinds of a shop. Every method is one transaction."""

    def __init__(self, db: Database, clock: Clock) -> None:
        self._db, self._clock = db, clock

    def in_use(self) -> list[Kind]:
        """Every kind in use, by its id."""
        with self._db.read() as session:
            return [_kind(row) for row in _rows(session)]

    def reads(self) -> Callable[[str], bool]:
        """Return a test of whether any kind in use reads a topic."""
        decoders = [Decoder(kind.mapping) for kind in self.in_use() if kind.mapping is not None]
        return lambda topic: any(decoder.matches(topic) for decoder in decoders)

    def places(self) -> list[str]:
        """The words of the places there are: a topic's level of that name is taken for one."""
        with self._db.read() as session:
            return [str(word) for word in session.exec(select(Place.id).order_by(col(Place.id)))]

    def adopt(self, name: str, spec: object, kind_id: str | None = None) -> Kind:
        """Take a kind into use; without ``kind_id`` its word is made from its name.

        Raises
        ------
        BadInput
            Naming the field of the mapping (``mapping.values.air_c.unit``), or ``name``.
        Conflict
            Where the word is taken, or another kind takes some of the same topics.
        """
        called = text("name", name, 120, required=True)
        mapping = checked_mapping(spec)
        try:
            word = word_of("id", called if kind_id is None else kind_id)
        except PayloadError as error:
            raise BadInput(error.field, error.reason) from error
        if kind_id is not None and word != kind_id:
            raise BadInput(
                "id",
                say("{kind_id!r} is not 1 to 64 small letters, digits, - and _", kind_id=kind_id),
            )
        with self._db.write() as session:
            row = session.get(SensorKind, word)
            if row is not None and row.retired_at is None:
                field = "name" if kind_id is None else "id"
                raise Conflict(field, say("there is a sensor kind {word} already", word=word))
            others = [_kind(other) for other in _rows(session)]
            if len(others) >= MOST_KINDS:
                raise Conflict(
                    "name",
                    say("there are {most_kinds} sensor kinds already", most_kinds=MOST_KINDS),
                )
            _refuse_overlap(mapping, others)
            row = session.merge(
                SensorKind(id=word, name=called, spec=mapping.spec(), made_at=self._clock.now())
            )
            session.flush()
            return _kind(row)

    def retire(self, kind_id: str) -> None:
        """Take a kind out of use; what it has brought stays. Raises NotFound."""
        with self._db.write() as session:
            row = session.get(SensorKind, kind_id)
            if row is None or row.retired_at is not None:
                raise NotFound(
                    "kind", say("there is no sensor kind {kind_id!r} in use", kind_id=kind_id)
                )
            row.retired_at = self._clock.now()
            session.add(row)


def checked_mapping(spec: object) -> Mapping:
    """Make a mapping of plain data; raises BadInput naming its field under ``mapping``."""
    try:
        return mapping_of(spec)
    except MappingError as error:
        field = "mapping" if error.field == "mapping" else f"mapping.{error.field}"
        raise BadInput(field, error.reason) from error


def _refuse_overlap(mapping: Mapping, others: list[Kind]) -> None:
    pattern = Decoder(mapping).pattern
    for other in others:
        if other.mapping is not None and overlap(pattern, Decoder(other.mapping).pattern):
            raise Conflict(
                "mapping.topic",
                say(
                    "takes topics that {name} ({topic}) takes already",
                    name=other.name,
                    topic=other.mapping.topic,
                ),
            )


def _rows(session: Session) -> list[SensorKind]:
    query = select(SensorKind).where(col(SensorKind.retired_at).is_(None))
    return list(session.exec(query.order_by(col(SensorKind.id))).all())


def _kind(row: SensorKind) -> Kind:
    try:
        return Kind(row.id, row.name, row.made_at, mapping_of(row.spec))
    except MappingError as error:
        return Kind(row.id, row.name, row.made_at, None, str(error))
