"""Proposals from invented payloads: what is found, what is asked, and that nothing is made up."""

from __future__ import annotations

import json
from datetime import UTC, datetime
from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st

from sensors.halves import Half
from sensors.mapping import Decoder
from sensors.proposal import Heard, Proposal, Proposals, propose
from sensors.wire import PayloadError, Report

NOW = datetime(2026, 3, 2, 9, 0, tzinfo=UTC)


def heard(topic: str, *bodies: object) -> Heard:
    samples = tuple(b if isinstance(b, bytes) else json.dumps(b).encode() for b in bodies)
    return Heard(topic, len(samples), samples, NOW)


def proposed(*some: Heard, **known: Any) -> Proposals:
    return propose(some, **known)


def only(found: Proposals) -> Proposal:
    assert found.unclear == ()
    (kind,) = found.kinds
    return kind


def read(kind: Proposal, topic: str, body: object) -> Report | Half:
    payload = body if isinstance(body, bytes) else json.dumps(body).encode()
    (found,) = Decoder(kind.mapping).decode(topic, payload, NOW)
    return found


class TestOnePayload:
    def test_two_sensors_of_one_shape_are_one_kind(self):
        kind = only(
            proposed(
                heard("attic/k1/state", {"temperature": 21.4, "humidity": 47, "battery": 81}),
                heard("attic/k2/state", {"temperature": 20.9, "humidity": 49, "battery": 12}),
            )
        )
        assert kind.mapping.topic == "attic/{sensor}/state"
        assert kind.topics == ("attic/k1/state", "attic/k2/state")
        assert any("which place" in question for question in kind.questions)
        found = read(kind, "attic/k3/state", {"temperature": 1, "humidity": 2, "battery": 3})
        assert found == Report("booth", "k3", NOW, 1.0, 2.0, timed=False, battery_pct=3.0)

    def test_a_known_place_in_the_topic_is_the_place(self):
        kind = only(
            proposed(
                heard("site/wood-store/k1", {"t": 18, "rh": 55}),
                heard("site/rack/k2", {"t": 19, "rh": 50}),
                places=["rack", "wood-store"],
            )
        )
        assert kind.mapping.topic == "site/{place}/{sensor}"

    def test_a_single_sensor_names_itself(self):
        kind = only(proposed(heard("attic/sensors/k1", {"t": 18, "rh": 55}), places=["rack"]))
        assert (kind.mapping.topic, kind.mapping.place) == ("attic/sensors/{sensor}", "rack")
        assert any("k1 is taken for the name of the sensor" in q for q in kind.questions)

    def test_device_first(self):
        kind = only(proposed(*(heard(f"k{n}/up", {"temp": 20 + n, "hum": 50}) for n in range(3))))
        assert kind.mapping.topic == "{sensor}/up"

    def test_kinds_of_different_roots_and_shapes_are_kept_apart(self):
        found = proposed(
            heard("attic/k1", {"temp": 20, "hum": 50}),
            heard("cellar/k1", {"temp": 20, "hum": 50}),
            heard("attic/k2", {"env": {"temp": 20, "hum": 50}}),
        )
        assert len(found.kinds) == 3
        assert found.unclear == ()

    def test_others_under_the_same_form_are_left_out(self):
        found = proposed(
            heard("hub/k1", {"temp": 20, "hum": 50}),
            heard("hub/k2", {"temp": 21, "hum": 51}),
            heard("hub/lamp", {"state": "ON", "brightness": 120}),
        )
        (kind,) = found.kinds
        assert set(kind.mapping.only) == {"k1", "k2"}
        assert not Decoder(kind.mapping).matches("hub/lamp")
        assert [(u.topic, u.why) for u in found.unclear] == [
            ("hub/lamp", "holds nothing that is called temperature or humidity")
        ]

    @pytest.mark.parametrize(
        ("body", "want"),
        [
            ({"a": {"Air Temperature": {"value": 70, "unit": "F"}, "RH": {"value": 50}}}, 21.11),
            ({"tempf": 70.0, "hum": 50.0}, 21.11),
            ({"tempC": 21.5, "humidity": 50.0}, 21.5),
            ({"temp": 21.5, "dew_temp": 9.0, "target_temp": 30, "hum": 50.0}, 21.5),
            ({"data": {"temperature": "21.5", "humidity": "50"}}, 21.5),
            ({"Temperature": 70.0, "Humidity": 50.0, "TempUnit": "F"}, 21.11),
            ({"t": 21.5, "h": 0.5}, 21.5),
            ({"list": [{"name": "temperature", "value": 21.5}, {"name": "rh", "value": 50}]}, 21.5),
            ({"temperature": 294.65, "humidity": 50.0}, 21.5),
            ({"heat": {"index": 99}, "bme": {"t": 21.5, "h": 50}, "cpu": {"temp": 60}}, 21.5),
        ],
    )
    def test_names_units_and_nesting(self, body, want):
        kind = only(proposed(heard("attic/k1/x", body)))
        found = read(kind, "attic/k1/x", body)
        assert isinstance(found, Report)
        assert found.air_c == pytest.approx(want, abs=0.005)  # two decimals above
        assert found.rh_pct == pytest.approx(50.0)

    def test_a_temperature_that_can_only_be_fahrenheit_is_asked_about(self):
        kind = only(proposed(heard("attic/k1/x", {"temp": 71.3, "hum": 40})))
        assert kind.mapping.values["air_c"].unit == "°F"
        assert "Air temperature of 71.3 is taken as °F. Is it?" in kind.questions

    def test_a_hot_one_is_asked_about(self):
        kind = only(proposed(heard("attic/k1/x", {"temp": 45, "hum": 40})))
        assert "Air temperature of 45 is taken as °C. Or is it °F?" in kind.questions

    def test_surface_and_pressure(self):
        body = {"temp": 21, "hum": 50, "surface_temp": 19.5, "pressure": 1003.2, "linkquality": 90}
        kind = only(proposed(heard("attic/k1/x", body)))
        found = read(kind, "attic/k1/x", body)
        assert isinstance(found, Report)
        assert (found.surface_c, found.pressure_pa) == (19.5, 100_320.0)

    def test_a_battery_in_volts_is_left_out_and_said(self):
        kind = only(proposed(heard("attic/k1/x", {"temp": 21, "hum": 50, "battery": 2.97})))
        assert "battery_pct" not in kind.mapping.values
        assert any("battery" in question and "left out" in question for question in kind.questions)

    def test_two_temperatures_are_asked_about(self):
        body = {"temp": 21, "inside": {"temp": 24}, "hum": 50}
        kind = only(proposed(heard("attic/k1/x", body)))
        assert kind.mapping.values["air_c"].pointer == "/temp"
        assert any("/inside/temp" in question for question in kind.questions)

    def test_messages_that_bring_only_some_are_joined(self):
        kind = only(proposed(heard("attic/k1/x", {"temp": 21}, {"hum": 50}, {"temp": 22})))
        assert kind.mapping.partial
        assert isinstance(read(kind, "attic/k1/x", {"hum": 50}), Half)

    @pytest.mark.parametrize(
        ("value", "form", "zone"),
        [
            ("2026-03-02T08:59:58Z", "iso", None),
            ("2026-03-02T08:59:58", "iso", "UTC"),
            ("2026-03-02 10:59:58", "iso", "Europe/Helsinki"),
            (1772441998, "epoch_s", None),
            (1772441998123, "epoch_ms", None),
        ],
    )
    def test_time(self, value, form, zone):
        body = {"temp": 21, "hum": 50, "ts": value, "uptime": 1772441998}
        kind = only(proposed(heard("attic/k1/x", body), zone="Europe/Helsinki"))
        assert kind.mapping.time is not None
        assert (kind.mapping.time.form, kind.mapping.time.zone) == (form, zone)
        assert (zone is None) == (not any("zone" in question for question in kind.questions))
        at = read(kind, "attic/k1/x", body).at
        assert abs((at - NOW).total_seconds()) <= 2

    def test_a_clock_far_off_is_asked_about(self):
        kind = only(proposed(heard("attic/k1/x", {"temp": 21, "hum": 50, "ts": 1772341998})))
        assert any("clock" in question for question in kind.questions)


class TestTopicAQuantity:
    def test_plain_numbers(self):
        kind = only(
            proposed(
                heard("attic/k1/temperature", b"21.4 \xc2\xb0C"),
                heard("attic/k1/humidity", b"47"),
                heard("attic/k2/temperature", b"20.4 \xc2\xb0C"),
                heard("attic/k2/humidity", b"48"),
                heard("attic/k2/battery", b"90"),
            )
        )
        assert kind.mapping.topic == "attic/{sensor}/{quantity}"
        assert kind.mapping.words["temperature"].unit == "°C"
        assert kind.mapping.words["battery"].quantity == "battery_pct"
        want = Half("booth", "k1", NOW, "rh_pct", 47.0, False)
        assert read(kind, "attic/k1/humidity", b"47") == want

    def test_json_values(self):
        kind = only(
            proposed(
                heard("attic/temp/k1", {"value": 71.0, "unit": "F", "at": "2026-03-02T09:00:00Z"}),
                heard("attic/hum/k1", {"value": 50.0, "unit": "%", "at": "2026-03-02T09:00:00Z"}),
            )
        )
        assert kind.mapping.topic == "attic/{quantity}/{sensor}"
        assert kind.mapping.words["temp"].pointer == "/value"
        assert kind.mapping.words["temp"].unit == "°F"
        assert kind.mapping.time is not None

    def test_one_alone_is_said(self):
        found = proposed(heard("attic/k1/temperature", b"21.4"))
        assert found.kinds == ()
        assert [u.why for u in found.unclear] == ["no humidity beside it"]


@pytest.mark.parametrize(
    ("payload", "why"),
    [
        (b"\xff\x00", "neither JSON nor a number"),
        (b"", "empty"),
        (b"online", "holds no number"),
        (b"{}", "holds no number"),
        (b"21.5", "holds nothing that is called temperature or humidity"),
        (b'{"temp": 21}', "holds an air temperature, but no humidity"),
        (b'{"hum": 21}', "holds a humidity, but no air temperature"),
        (b'{"temp": 5000, "hum": 50}', "/temp = 5000 cannot be air_c"),
    ],
)
def test_what_nothing_is_proposed_for_is_said(payload, why):
    found = proposed(heard("attic/k1/x", payload))
    assert found.kinds == ()
    assert [u.why for u in found.unclear] == [why]


def test_nothing_heard_nothing_proposed():
    assert proposed() == Proposals((), ())


JSON = st.recursive(
    st.none() | st.booleans() | st.integers(-500, 500) | st.floats() | st.text(max_size=10),
    lambda inner: (
        st.lists(inner, max_size=3)
        | st.dictionaries(
            st.sampled_from(
                ["temp", "hum", "t", "h", "value", "unit", "name", "ts", "battery", ""]
            ),
            inner,
        )
    ),
    max_leaves=15,
)
TOPICS = st.lists(
    st.sampled_from(["attic", "k1", "k2", "temp", "hum", "up", "", "+", "{sensor}", "bänk", "$x"]),
    min_size=1, max_size=4,
).map("/".join)  # fmt: skip


@given(
    st.lists(st.tuples(TOPICS, JSON | st.binary(max_size=40)), max_size=8, unique_by=lambda p: p[0])
)
def test_whatever_is_heard_each_topic_is_told_once_and_each_proposal_reads_something(pairs):
    some = [heard(topic, body) for topic, body in pairs]
    found = propose(some, places=["rack"], zone="Europe/Lisbon")
    told = [topic for kind in found.kinds for topic in kind.topics]
    told += [one.topic for one in found.unclear]
    assert sorted(told) == sorted(topic for topic, _ in pairs)
    for kind in found.kinds:
        decoder = Decoder(kind.mapping)
        readings = []
        for one in some:
            if one.topic in kind.topics:
                try:
                    readings += decoder.decode(one.topic, one.samples[0], NOW)
                except PayloadError:
                    continue
        assert readings
        assert kind.name
