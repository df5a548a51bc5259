"""Sensor kinds as data: adopted, refused by name, retired, adopted again."""

from __future__ import annotations

from typing import Any

import pytest
from equipment import SetClock
from sqlmodel import select

from sensors.mapping import mapping_of
from service.store import kinds as store_kinds
from service.store.db import Database
from service.store.errors import BadInput, Conflict, NotFound, StoreError
from service.store.kinds import Kinds
from service.store.tables import SensorKind


def spec(topic: str = "hall/{sensor}/state", **changes: Any) -> dict[str, Any]:
    values = {"air_c": {"pointer": "/t", "unit": "°C"}, "rh_pct": {"pointer": "/h", "unit": "%"}}
    return {"topic": topic, "place": "booth", "values": values} | changes


@pytest.fixture
def kinds(database: Database, clock: SetClock) -> Kinds:
    return Kinds(database, clock)


def test_adopted_it_is_in_use(kinds, clock):
    made = kinds.adopt("Hall sensors", spec())
    assert (made.id, made.name, made.made_at) == ("hall-sensors", "Hall sensors", clock.now())
    assert made.mapping == mapping_of(spec())
    assert kinds.in_use() == [made]


def test_retired_it_is_not_and_may_come_back_otherwise(kinds, clock):
    kinds.adopt("Hall", spec())
    kinds.retire("hall")
    assert kinds.in_use() == []
    with pytest.raises(NotFound):
        kinds.retire("hall")
    clock.advance(hours=1)
    again = kinds.adopt("Hall", spec("hall/{sensor}/data"))
    assert kinds.in_use() == [again]
    assert again.made_at == clock.now()


@pytest.mark.parametrize(
    ("name", "mapping", "word", "kind", "field"),
    [
        ("", spec(), None, BadInput, "name"),
        ("?", spec(), None, BadInput, "id"),
        ("Other", spec(), "Not A Word", BadInput, "id"),
        ("Hall", spec("x/{sensor}"), None, Conflict, "name"),
        ("Other", spec("x/{sensor}"), "hall", Conflict, "id"),
        ("Other", spec("#"), None, BadInput, "mapping.topic"),
        ("Other", spec("boothglass/{sensor}/x"), None, BadInput, "mapping.topic"),
        ("Other", spec(place="The Booth"), None, BadInput, "mapping.place"),
        ("Other", "no mapping", None, BadInput, "mapping"),
        ("Other", spec(), None, Conflict, "mapping.topic"),
        ("Other", spec("hall/{sensor}/+"), None, Conflict, "mapping.topic"),
        ("Other", spec("+/wall/state", sensor="wall"), None, BadInput, "mapping.topic"),
        ("Other", spec("hall/wall/+", sensor="wall"), None, Conflict, "mapping.topic"),
    ],
)  # fmt: skip
def test_what_cannot_be_adopted_is_named(kinds, name, mapping, word, kind, field):
    kinds.adopt("Hall", spec())
    with pytest.raises(StoreError) as caught:
        kinds.adopt(name, mapping, word)
    assert isinstance(caught.value, kind)
    assert caught.value.field == field
    assert len(kinds.in_use()) == 1


def test_side_by_side_where_no_topic_is_of_both(kinds):
    kinds.adopt("A", spec("hall/{sensor}/state", only=["a", "b"]))
    kinds.adopt("B", spec("hall/{sensor}/state", only=["c"]))
    with pytest.raises(Conflict):
        kinds.adopt("C", spec("hall/{sensor}/state", only=["b", "d"]))


def test_there_is_a_bound(kinds, monkeypatch):
    monkeypatch.setattr(store_kinds, "MOST_KINDS", 2)
    for number in range(2):
        kinds.adopt(f"Kind {number}", spec(f"hall{number}/{{sensor}}"))
    with pytest.raises(Conflict, match="2 sensor kinds"):
        kinds.adopt("Kind 3", spec("hall3/{sensor}"))


def test_one_that_this_version_cannot_read_is_said_and_harms_no_other(kinds, database):
    good = kinds.adopt("Hall", spec())
    with database.write() as session:
        row = SensorKind(id="old", name="Old", spec={"topic": "#"}, made_at=good.made_at)
        session.add(row)
    first, second = kinds.in_use()
    assert first == good
    assert second.mapping is None
    assert "topic" in str(second.trouble)


def test_a_refusal_writes_nothing(kinds, database):
    with pytest.raises(StoreError):
        kinds.adopt("Other", spec("#"))
    with database.read() as session:
        assert session.exec(select(SensorKind)).all() == []
