"""Mappings: what they read, what they refuse, and that nothing but a named error escapes them."""

from __future__ import annotations

import json
import re
import time
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import Any

import pytest
import yaml
from hypothesis import given
from hypothesis import strategies as st

from sensors.halves import Half
from sensors.mapping import Decoder, Mapping, MappingError, mapping_of
from sensors.payloads import MAX_PAYLOAD_BYTES
from sensors.wire import PayloadError, Report

NOW = datetime(2026, 3, 2, 9, 0, tzinfo=UTC)

WHOLE = yaml.safe_load("""
topic: shop/{place}/{sensor}/state
values:
  air_c: {pointer: /air/temp, unit: °F}
  rh_pct: {pointer: /air/hum, unit: "%"}
  surface_c: {pointer: /probe/0, unit: K}
  pressure_pa: {pointer: /baro, unit: inHg}
  battery_pct: {pointer: /cell, unit: fraction}
time: {pointer: /when, form: epoch_ms}
""")
PLAIN = yaml.safe_load("""
topic: shop/rack/{sensor}/{quantity}
place: rack
words:
  temperature: {quantity: air_c, unit: °C}
  humidity: {quantity: rh_pct, unit: "%"}
  cell: {quantity: battery_pct, unit: "%"}
""")
SHORT = {
    "topic": "t/{sensor}", "place": "booth",
    "values": {"air_c": {"pointer": "/t", "unit": "C"}, "rh_pct": {"pointer": "/h", "unit": "%"}},
}  # fmt: skip


def changed(spec: dict[str, Any], path: str, value: object) -> dict[str, Any]:
    made: dict[str, Any] = json.loads(json.dumps(spec))
    *way, last = path.split(".")
    inner = made
    for step in way:
        inner = inner.setdefault(step, {})
    if value is None:
        del inner[last]
    else:
        inner[last] = value
    return made


def read(spec: object, topic: str, body: object) -> list[Report | Half]:
    payload = body if isinstance(body, bytes) else json.dumps(body).encode()
    return Decoder(mapping_of(spec)).decode(topic, payload, NOW)


def refused(spec: object, topic: str, body: object) -> PayloadError:
    with pytest.raises(PayloadError) as caught:
        read(spec, topic, body)
    return caught.value


class TestWhole:
    def test_everything(self):
        body = {
            "air": {"temp": 71.6, "hum": 47.5}, "probe": [294.15], "baro": 29.92, "cell": 0.83,
            # `date -u -d 2026-03-02T08:59:30Z +%s` (GNU coreutils) is 1772441970.
            "when": 1772441970250, "else": {"x": []},
        }  # fmt: skip
        (found,) = read(WHOLE, "shop/Booth 2/0xA4:C1/state", body)
        assert isinstance(found, Report)
        assert (found.place, found.sensor) == ("booth-2", "0xa4-c1")
        assert found.at == datetime(2026, 3, 2, 8, 59, 30, 250_000, tzinfo=UTC)
        assert found.timed
        assert found.air_c == pytest.approx(22.0)
        assert found.surface_c == pytest.approx(21.0)
        assert found.rh_pct == 47.5
        # 29.92 inHg is the standard atmosphere of 101325 Pa to the four figures it is given in.
        assert found.pressure_pa == pytest.approx(101_325, rel=2e-4)
        assert found.battery_pct == pytest.approx(83.0)

    def test_what_is_not_there_but_for_air_and_humidity_is_left_out(self):
        (found,) = read(WHOLE, "shop/a/b/state", {"air": {"temp": 68, "hum": 50}, "when": None})
        assert found == Report("a", "b", NOW, 20.0, 50.0, timed=False)

    @pytest.mark.parametrize(
        ("body", "field", "says"),
        [
            ({}, "air_c", "missing"),
            ({"air": {"temp": 70}}, "rh_pct", "missing"),
            ({"air": {"temp": "70", "hum": 50}}, "air_c", "not a number"),
            ({"air": {"temp": True, "hum": 50}}, "air_c", "not a number"),
            ({"air": {"temp": [1], "hum": 50}}, "air_c", "array"),
            (b'{"air": {"temp": NaN, "hum": 50}}', "air_c", "nan"),
            (b'{"air": {"temp": 1e400, "hum": 50}}', "air_c", "inf"),
            (b'{"air": {"temp": 1, "temp": 2, "hum": 50}}', "temp", "twice"),
            ({"air": {"temp": 70, "hum": 50}, "when": "soon"}, "at", "not a number"),
            ({"air": {"temp": 70, "hum": 50}, "when": 1e300}, "at", "out of range"),
            ([1, 2], "air_c", "missing"),
            (3, "air_c", "missing"),
            (b"", "payload", "empty"),
            (b"{", "payload", "not JSON"),
            (b"\xff\xfe", "payload", "not UTF-8"),
            (b" " * MAX_PAYLOAD_BYTES + b"1", "payload", "at most"),
        ],
    )
    def test_what_cannot_be_used_is_named(self, body, field, says):
        error = refused(WHOLE, "shop/a/b/state", body)
        assert (error.field, says in error.reason) == (field, True), error

    @pytest.mark.parametrize(
        ("topic", "field"),
        [("shop/a/b", "topic"), ("shop/a/b/state/x", "topic"), ("shop/a/b/STATE", "topic"),
         ("shop/???/b/state", "place"), ("shop/a/-/state", "sensor"),
         ("shop/notices/b/state", "place"), ("shop/\N{SNOWMAN}/b/state", "place")],
    )  # fmt: skip
    def test_topics_that_are_not_of_this_kind(self, topic, field):
        assert refused(WHOLE, topic, {"air": {"temp": 70, "hum": 50}}).field == field

    def test_numbers_as_text_where_the_mapping_says_so(self):
        body = {"t": "21.3 °C", "h": "47"}
        assert refused(SHORT, "t/x", body).field == "air_c"
        (found,) = read(SHORT | {"text_numbers": True}, "t/x", body)
        assert isinstance(found, Report)
        assert (found.air_c, found.rh_pct) == (21.3, 47.0)

    def test_partial_messages_are_halves(self):
        spec = SHORT | {"partial": True}
        assert read(spec, "t/x", {"h": 47}) == [Half("booth", "x", NOW, "rh_pct", 47.0, False)]
        assert len(read(spec, "t/x", {"t": 1, "h": 47})) == 1
        assert refused(spec, "t/x", {"z": 1}).field == "payload"


class TestWords:
    @pytest.mark.parametrize(
        "body", [b"21.3", b"21.3 \xc2\xb0C", b'"21.3"', b'"21.3 C"', b" 21.3\n"]
    )
    def test_a_plain_number(self, body):
        found = read(PLAIN, "shop/rack/w1/temperature", body)
        assert found == [Half("rack", "w1", NOW, "air_c", 21.3, False)]

    @pytest.mark.parametrize(
        "body", [b"null", b"unavailable", b"{}", b"true", b"21,3", b"\xff", b"NaN"]
    )
    def test_what_is_no_number_is_named(self, body):
        assert refused(PLAIN, "shop/rack/w1/temperature", body).field in {"air_c", "payload"}

    def test_json_in_a_topic_a_quantity(self):
        spec = changed(PLAIN, "words.temperature.pointer", "/value")
        spec["time"] = {"pointer": "/ts", "form": "epoch_s"}
        body = {"value": 21.3, "ts": 1772441970}
        (found,) = read(spec, "shop/rack/w1/temperature", body)
        at = datetime(2026, 3, 2, 8, 59, 30, tzinfo=UTC)
        assert found == Half("rack", "w1", at, "air_c", 21.3, True)

    def test_only_its_own_words(self):
        assert refused(PLAIN, "shop/rack/w1/link", b"80").field == "topic"

    def test_filters_take_no_more_than_that(self):
        filters = set(Decoder(mapping_of(PLAIN)).pattern.filters())
        assert filters == {f"shop/rack/+/{word}" for word in ("temperature", "humidity", "cell")}


class TestTime:
    def at(self, value: object, received_at: datetime = NOW, **when: object) -> datetime:
        spec = SHORT | {"time": {"pointer": "/at", **when}, "text_numbers": True}
        body = json.dumps({"t": 20, "h": 50, "at": value}).encode()
        (found,) = Decoder(mapping_of(spec)).decode("t/x", body, received_at)
        return found.at

    def test_iso_with_a_zone(self):
        want = datetime(2026, 3, 2, 8, 59, 30, tzinfo=UTC)
        assert self.at("2026-03-02T08:59:30Z") == want
        assert self.at("2026-03-02 10:59:30+02:00", zone="America/New_York") == want

    def test_seconds_as_text(self):
        assert self.at("1772441970", form="epoch_s") == datetime(2026, 3, 2, 8, 59, 30, tzinfo=UTC)

    def test_local_time_only_where_the_zone_is_named(self):
        with pytest.raises(PayloadError, match="no time zone"):
            self.at("2026-07-02T09:59:30")
        # Lisbon keeps UTC+1 in summer (IANA time zone database).
        found = self.at("2026-07-02T09:59:30", zone="Europe/Lisbon")
        assert found == datetime(2026, 7, 2, 8, 59, 30, tzinfo=UTC)

    @pytest.mark.parametrize("hour", [0, 1])
    def test_the_hour_that_comes_twice_is_told_by_the_receipt(self, hour):
        # Lisbon put its clocks back on 2025-10-26 at 01:00 UTC: 01:30 came at 00:30 and 01:30 UTC.
        received = datetime(2025, 10, 26, hour, 30, 5, tzinfo=UTC)
        found = self.at("2025-10-26T01:30:00", received, zone="Europe/Lisbon")
        assert found == datetime(2025, 10, 26, hour, 30, tzinfo=UTC)

    @pytest.mark.parametrize("value", ["tomorrow", 12, [], {}, "0001-01-01T00:00:00+14:00", ""])
    def test_what_is_no_time_is_named(self, value):
        with pytest.raises(PayloadError) as caught:
            self.at(value)
        assert caught.value.field == "at"


def test_the_examples_of_the_readme_are_mappings():
    readme = (Path(__file__).resolve().parents[2] / "README.md").read_text(encoding="utf-8")
    examples = [
        yaml.safe_load(text) for text in re.findall(r"```yaml\n(.*?)```", readme, re.DOTALL)
    ]
    mappings = [mapping_of(example) for example in examples if "topic" in example]
    assert [bool(mapping.words) for mapping in mappings] == [False, True]


class TestRefusedMappings:
    @pytest.mark.parametrize(
        ("spec", "field"),
        [
            (None, "mapping"),
            ([], "mapping"),
            ({}, "topic"),
            (changed(SHORT, "topic", "#"), "topic"),
            (changed(SHORT, "topic", "t/#"), "topic"),
            (changed(SHORT, "topic", "{sensor}"), "topic"),
            (changed(SHORT, "topic", "+/{sensor}/+"), "topic"),
            (changed(SHORT, "topic", "$SYS/{sensor}"), "topic"),
            (changed(SHORT, "topic", "t/x{sensor}"), "topic"),
            (changed(SHORT, "topic", "t/{device}"), "topic"),
            (changed(SHORT, "topic", "t/a+b/{sensor}"), "topic"),
            (changed(SHORT, "topic", "t/{sensor}/{sensor}"), "topic"),
            (changed(SHORT, "topic", "boothglass/{sensor}/state"), "topic"),
            (changed(SHORT, "topic", "+/{sensor}/state"), "topic"),
            (changed(SHORT, "topic", "/".join(["a"] * 16 + ["{sensor}"])), "topic"),
            (changed(SHORT, "topic", "t/{place}/{sensor}"), "place"),
            (changed(SHORT, "place", None), "place"),
            (changed(SHORT, "place", "The Booth"), "place"),
            (changed(SHORT, "place", "notices"), "place"),
            (changed(SHORT, "sensor", "wall"), "sensor"),
            (changed(SHORT, "topic", "t/{quantity}"), "sensor"),
            (changed(SHORT, "topic", "t/{sensor}/{quantity}"), "words"),
            (changed(SHORT, "only", ["a/b"]), "only.0"),
            (changed(SHORT | {"topic": "t/x", "sensor": "x"}, "only", ["a"]), "only"),
            (changed(SHORT, "values.rh_pct", None), "values"),
            (changed(SHORT, "values.air_c.unit", "bananas"), "values.air_c.unit"),
            (changed(SHORT, "values.air_c.unit", "hPa"), "values.air_c.unit"),
            (changed(SHORT, "values.air_c.pointer", "t"), "values.air_c.pointer"),
            (changed(SHORT, "values.wind", {"unit": "K"}), "values.wind"),
            (changed(SHORT, "extra", 1), "extra"),
            (changed(SHORT, "partial", "perhaps"), "partial"),
            (changed(SHORT, "time", {"pointer": ""}), "time.pointer"),
            (changed(SHORT, "time", {"pointer": "/t", "form": "stardate"}), "time.form"),
            (changed(SHORT, "time", {"pointer": "/t", "zone": "Here/There"}), "time.zone"),
            (changed(SHORT, "time", {"pointer": "/t", "zone": "../etc/passwd"}), "time.zone"),
            (
                changed(SHORT, "time", {"pointer": "/t", "form": "epoch_s", "zone": "UTC"}),
                "time.zone",
            ),
            (changed(PLAIN, "topic", "shop/rack/{sensor}/state"), "words"),
            (changed(PLAIN, "words.humidity", None), "words"),
            (changed(PLAIN, "words.humidity.unit", "K"), "words.humidity.unit"),
            (changed(PLAIN, "partial", True), "partial"),
            (PLAIN | {"values": SHORT["values"]}, "values"),
            (changed(PLAIN, "only", [f"s{n}" for n in range(99)]), "only"),
        ],
    )  # fmt: skip
    def test_the_field_is_named(self, spec, field):
        with pytest.raises(MappingError) as caught:
            mapping_of(spec)
        assert caught.value.field == field, caught.value
        assert caught.value.reason

    @pytest.mark.parametrize("spec", [WHOLE, PLAIN, SHORT])
    def test_kept_as_data_it_is_the_same(self, spec):
        mapping = mapping_of(spec)
        assert isinstance(mapping, Mapping)
        assert mapping_of(json.loads(json.dumps(mapping.spec()))) == mapping
        assert mapping_of(yaml.safe_load(yaml.safe_dump(mapping.spec()))) == mapping


# -- nothing else escapes -------------------------------------------------------------------

JSON = st.recursive(
    st.none() | st.booleans() | st.integers() | st.floats() | st.text(max_size=20),
    lambda inner: (
        st.lists(inner, max_size=4)
        | st.dictionaries(
            st.sampled_from(["t", "h", "air", "temp", "hum", "at", "when", "x"]), inner
        )
    ),
    max_leaves=20,
)
SPECS = [
    WHOLE, SHORT, SHORT | {"text_numbers": True, "partial": True},
    SHORT | {"time": {"pointer": "/at", "zone": "Europe/Lisbon"}},
    changed(PLAIN, "words.humidity.pointer", "/h"),
]  # fmt: skip
TOPICS = ["shop/a/b/state", "t/x", "shop/rack/s/temperature", "shop/rack/s/humidity"]


def only_named_errors(spec: object, topic: str, payload: bytes) -> None:
    began = time.perf_counter()
    refusal: PayloadError | None = None
    found: list[Report | Half] = []
    try:
        found = Decoder(mapping_of(spec)).decode(topic, payload, NOW)
    except PayloadError as error:
        refusal = error
    # A payload of a few kilobytes is read in well under a millisecond; a second says "bounded".
    assert time.perf_counter() - began < 1.0
    assert bool(found) == (refusal is None)
    assert refusal is None or (refusal.field and refusal.reason)
    assert all(one.at.utcoffset() == timedelta(0) for one in found)


@given(st.sampled_from(SPECS), st.sampled_from(TOPICS), JSON)
def test_any_json(spec, topic, body):
    only_named_errors(spec, topic, json.dumps(body).encode())


@given(st.sampled_from(SPECS), st.sampled_from(TOPICS), st.binary(max_size=300))
def test_any_bytes(spec, topic, payload):
    only_named_errors(spec, topic, payload)


@given(
    st.sampled_from(SPECS),
    st.text(max_size=30) | st.builds("shop/{}/{}/state".format, st.text(), st.text()),
)
def test_any_topic(spec, topic):
    only_named_errors(spec, topic, b'{"air": {"temp": 70, "hum": 50}, "t": 1, "h": 2}')


@given(JSON | st.dictionaries(st.sampled_from(list(Mapping.model_fields)), JSON))
def test_any_mapping(spec):
    refusal: MappingError | None = None
    try:
        mapping_of(spec)
    except MappingError as error:
        refusal = error
    assert refusal is None or (refusal.field and refusal.reason)


@pytest.mark.parametrize(
    "deep", [b"[" * 60_000, b'{"t":' * 10_000, b"9" * 65_000, b'"' + b"9" * 65_000]
)
@pytest.mark.parametrize("topic", TOPICS)
def test_the_worst_payloads_end_soon(deep, topic):
    for spec in SPECS:
        only_named_errors(spec, topic, deep)
