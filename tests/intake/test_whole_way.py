"""Any bytes on any topic, from the broker's hand to the row: no crash, and bounds that hold."""

from __future__ import annotations

import contextlib
import json
import sys
import tracemalloc
from pathlib import Path

import databases
import pytest
from hypothesis import given
from hypothesis import strategies as st
from sqlmodel import Session, func, select

from sensors.payloads import MAX_PAYLOAD_BYTES, PayloadError, decode
from service.store.db import Database
from service.store.readings import NewReading, record_batch
from service.store.tables import Reading
from service.store.types import to_millis

sys.path.insert(0, str(Path(__file__).resolve().parents[1] / "fuzz"))

from whole_way import NOW, mapping, message

MEMORY_BYTES = 32 * 1024 * 1024
"""Five hundred times the longest payload: what JSON of nothing but brackets unfolds to."""

SPEC = {
    "topic": "shop/{place}/{sensor}",
    "values": {
        "air_c": {"pointer": "/a/0", "unit": "°F"},
        "rh_pct": {"pointer": "/h", "unit": "%"},
        "surface_c": {"pointer": "/s", "unit": "K"},
    },
    "time": {"pointer": "/at", "form": "epoch_s"},
    "text_numbers": True,
    "partial": True,
}

words = st.sampled_from(
    ["air_c", "rh_pct", "surface_c", "pressure_pa", "battery_pct", "at", "n", "v", "u", "bt", "t",
     "bn", "bver", "a", "h", "s", ""]
) | st.text(max_size=4)  # fmt: skip
numbers = st.integers() | st.floats() | st.floats(-50, 120) | st.integers(-50, 2**41)
leaves = (
    st.none() | st.booleans() | numbers | st.text(max_size=20)
    | st.sampled_from(["2026-03-02T08:00:00Z", "temperature", "humidity", "Cel", "%RH", "21.5 °C"])
)  # fmt: skip
values = st.recursive(
    leaves,
    lambda inner: st.lists(inner, max_size=4) | st.dictionaries(words, inner, max_size=6),
    max_leaves=12,
)
payloads = st.binary(max_size=200) | values.map(lambda v: json.dumps(v).encode())
topics = (
    st.just("boothglass/booth/wall")
    | st.tuples(words, words).map(lambda parts: f"boothglass/{parts[0]}/{parts[1]}")
    | st.text(max_size=40)
)


@pytest.fixture(scope="module")
def kept(tmp_path_factory):
    """A database of which nothing is kept from example to example."""
    database = Database(databases.address(tmp_path_factory.mktemp("whole-way")))
    database.upgrade()
    yield database
    database.dispose()


def lands(database: Database, readings: list[NewReading]) -> None:
    """Every reading fit to keep is taken by the database; one instant of a sensor once."""
    with Session(database.engine) as session:
        recorded = record_batch(session, readings)
        there = session.exec(select(func.count()).select_from(Reading)).one()
        session.rollback()
    assert recorded.new == there
    assert recorded.new == len({(r.place, r.sensor, to_millis(r.at)) for r in readings})
    assert recorded.new + recorded.duplicates == len(readings)


@given(messages=st.lists(st.tuples(topics, payloads, st.booleans()), max_size=8))
def test_whatever_is_sent_is_kept_or_refused(kept, messages):
    found = [
        reading
        for topic, payload, waited in messages
        for reading in message(topic, payload, waited=waited)
    ]
    lands(kept, found)


@given(payload=payloads | st.just(b'{"a":[70],"h":"45","s":290,"at":1772438400}'))
def test_whatever_a_mapping_is_given_is_kept_or_refused(kept, payload):
    lands(kept, mapping(SPEC, "shop/Rack 1/beam", payload))


@given(spec=values, topic=topics, payload=payloads)
def test_whatever_is_given_for_a_mapping_is_one_or_is_refused(spec, topic, payload):
    mapping(spec, topic, payload)


LONG = {
    "one number": b"1" * MAX_PAYLOAD_BYTES,
    "digits after digits": b'{"air_c":1' + b"0" * 60_000 + b',"rh_pct":50}',
    "brackets": b"[" * MAX_PAYLOAD_BYTES,
    "objects in objects": b'{"a":' * 13_000,
    "empty arrays": b"[" + b"[]," * 21_000 + b"[]]",
    "empty objects": b"[" + b"{}," * 21_000 + b"{}]",
    "many keys": b"{" + b",".join(b'"%d":1' % n for n in range(6000)) + b"}",
    "one key again and again": b"{" + b",".join([b'"a":1'] * 10_000) + b"}",
    "a long name": b'{"' + b"a" * 65_000 + b'":1}',
    "escapes": b'{"' + b"\\u0041" * 10_000 + b'":1}',
    "records": b"[" + b",".join([b'{"n":"air","v":1,"t":1}'] * 2700) + b"]",
    "spaces": b" " * MAX_PAYLOAD_BYTES,
    "not text": b"\xff" * MAX_PAYLOAD_BYTES,
}


@pytest.mark.parametrize("name", LONG)
def test_the_longest_payloads_take_neither_time_nor_memory(name):
    assert len(LONG[name]) <= MAX_PAYLOAD_BYTES
    assert message("boothglass/booth/wall", LONG[name]) == []
    assert mapping(SPEC, "shop/rack/beam", LONG[name]) == []
    tracemalloc.start()
    try:
        with contextlib.suppress(PayloadError):
            decode("boothglass/booth/wall", LONG[name], NOW)
        most = tracemalloc.get_traced_memory()[1]
    finally:
        tracemalloc.stop()
    assert most < MEMORY_BYTES
