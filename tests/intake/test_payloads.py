"""The wire's vocabulary: what is understood, and that nothing else escapes than a named error."""

from __future__ import annotations

import json
import math
from datetime import UTC, datetime, timedelta, timezone

import pytest
from hypothesis import given
from hypothesis import strategies as st

from sensors.payloads import MAX_PAYLOAD_BYTES, PayloadError, decode, encode, is_own, topic_of

NOW = datetime(2026, 3, 2, 9, 0, tzinfo=UTC)
TOPIC = "boothglass/booth/wall"


def sent(**body: object) -> bytes:
    return json.dumps(body).encode()


def refused(payload: bytes, topic: str = TOPIC) -> PayloadError:
    with pytest.raises(PayloadError) as caught:
        decode(topic, payload, NOW)
    return caught.value


class TestOurJson:
    def test_a_full_report(self):
        payload = sent(
            at="2026-03-02T10:59:30+02:00", air_c=21.5, rh_pct=48, surface_c=20.9,
            pressure_pa=101325, battery_pct=64, battery_v=3.1,
        )  # fmt: skip
        (report,) = decode(TOPIC, payload, NOW)
        assert (report.place, report.sensor) == ("booth", "wall")
        assert report.at == datetime(2026, 3, 2, 8, 59, 30, tzinfo=UTC)
        assert (report.air_c, report.rh_pct, report.surface_c) == (21.5, 48.0, 20.9)
        assert (report.pressure_pa, report.battery_pct) == (101325.0, 64.0)
        assert report.timed

    def test_seconds_since_1970(self):
        # 2026-03-02T08:59:30Z by `date -u -d 2026-03-02T08:59:30Z +%s` (GNU coreutils).
        (report,) = decode(TOPIC, sent(at=1772441970.25, air_c=20, rh_pct=50), NOW)
        assert report.at == datetime(2026, 3, 2, 8, 59, 30, 250_000, tzinfo=UTC)

    @pytest.mark.parametrize(
        "body", [{"air_c": 20, "rh_pct": 50}, {"at": None, "air_c": 20, "rh_pct": 50}]
    )
    def test_a_sensor_without_a_clock_takes_the_time_of_receipt(self, body):
        (report,) = decode(TOPIC, sent(**body), NOW)
        assert report.at == NOW
        assert not report.timed

    def test_null_counts_as_absent(self):
        (report,) = decode(TOPIC, sent(air_c=20, rh_pct=50, surface_c=None), NOW)
        assert report.surface_c is None

    @pytest.mark.parametrize(
        ("payload", "field", "says"),
        [
            (b"", "payload", "empty"),
            (b" \n", "payload", "empty"),
            (b"21.5", "payload", "neither"),
            (b'"spray"', "payload", "neither"),
            (b"{", "payload", "not JSON"),
            (b"spray away", "payload", "not JSON"),
            (b"\x00\xff\xfe\x01", "payload", "not UTF-8"),
            (b"[" * 60_000, "payload", "nested too deeply"),
            (b'{"a":' * 10_000, "payload", "nested too deeply"),
            (b'{"air_c":20}', "rh_pct", "missing"),
            (b'{"rh_pct":50}', "air_c", "missing"),
            (b'{"air_c":NaN,"rh_pct":50}', "air_c", "nan"),
            (b'{"air_c":20,"rh_pct":Infinity}', "rh_pct", "inf"),
            (b'{"air_c":20,"rh_pct":-Infinity}', "rh_pct", "-inf"),
            (b'{"air_c":1e999,"rh_pct":50}', "air_c", "inf"),
            (b'{"air_c":' + b"9" * 400 + b',"rh_pct":50}', "air_c", "too large"),
            (b'{"air_c":' + b"9" * 5000 + b',"rh_pct":50}', "payload", "not JSON"),
            (b'{"air_c":true,"rh_pct":50}', "air_c", "True is not a number"),
            (b'{"air_c":"21","rh_pct":50}', "air_c", "'21' is not a number"),
            (b'{"air_c":[21],"rh_pct":50}', "air_c", "array"),
            (b'{"air_c":20,"rh_pct":50,"surface_c":"warm"}', "surface_c", "not a number"),
            (b'{"air_c":20,"rh_pct":50,"pressure_pa":{}}', "pressure_pa", "object"),
            (b'{"air_c":20,"rh_pct":50,"rh_pct":90}', "rh_pct", "twice"),
            (b'{"at":"2026-03-02T09:00:00","air_c":20,"rh_pct":50}', "at", "no time zone"),
            (b'{"at":"yesterday","air_c":20,"rh_pct":50}', "at", "not an ISO 8601 time"),
            (b'{"at":"0001-01-01T00:00:00+14:00","air_c":20,"rh_pct":50}', "at", "out of range"),
            (b'{"at":1772441970250,"air_c":20,"rh_pct":50}', "at", "milliseconds?"),
            (b'{"at":true,"air_c":20,"rh_pct":50}', "at", "not a number"),
            (b'{"at":NaN,"air_c":20,"rh_pct":50}', "at", "nan"),
        ],
    )  # fmt: skip
    def test_what_cannot_be_used_is_named(self, payload, field, says):
        error = refused(payload)
        assert error.field == field
        assert says in error.reason

    def test_size_is_bounded(self):
        padded = sent(air_c=20, rh_pct=50).ljust(MAX_PAYLOAD_BYTES)
        assert decode(TOPIC, padded, NOW)
        assert refused(padded + b" ").field == "payload"

    def test_no_depth_finds_a_gap_between_reading_and_telling(self):
        for depth in range(50, 2000, 13):
            deep = b"[" * depth + b"]" * depth
            error = refused(b'{"air_c":' + deep + b',"rh_pct":50}')
            assert error.field in {"air_c", "payload"}


class TestTopics:
    def test_capital_letters_are_taken_as_small(self):
        (report,) = decode("boothglass/Booth_2/Wall-A", sent(air_c=20, rh_pct=50), NOW)
        assert (report.place, report.sensor) == ("booth_2", "wall-a")

    @pytest.mark.parametrize(
        ("topic", "field"),
        [
            ("boothglass/booth", "topic"),
            ("boothglass/booth/wall/extra", "topic"),
            ("elsewhere/booth/wall", "topic"),
            ("boothglass//wall", "place"),
            ("boothglass/booth/", "sensor"),
            ("boothglass/the booth/wall", "place"),
            ("boothglass/booth/-wall", "sensor"),
            ("boothglass/booth/" + "w" * 65, "sensor"),
            ("boothglass/notices/ready", "place"),
            ("boothglass/$intake/x", "place"),
            ("boothglass/booth/wäll", "topic"),
            ("boothglass/booth/\u212a", "topic"),  # the Kelvin sign, which lower-cases to k
        ],
    )
    def test_topics_that_are_not_a_sensors(self, topic, field):
        assert refused(sent(air_c=20, rh_pct=50), topic).field == field

    def test_the_services_own_topics(self):
        assert is_own("boothglass/notices/ready")
        assert is_own("boothglass/$intake/x")
        assert not is_own("boothglass/booth/wall")

    def test_topic_of_builds_what_decode_reads(self):
        assert topic_of("booth", "wall") == TOPIC
        with pytest.raises(PayloadError, match="place"):
            topic_of("Booth", "wall")


class TestSenml:
    """RFC 8428: labels of section 4, resolution of section 4.6, units of section 12.1."""

    def test_base_fields_and_relative_times(self):
        # Built after RFC 8428, section 5.1.2: a base name, base time and base unit, then records
        # whose times count from the base time.
        pack = [
            {"bn": "urn:dev:ow:10e2073a01080063:", "bt": 1772441000, "n": "temperature",
             "u": "Cel", "v": 23.1},
            {"n": "humidity", "u": "%RH", "v": 41.5},
            {"n": "temperature", "u": "Cel", "t": 30, "v": 23.2},
            {"n": "humidity", "u": "%RH", "t": 30, "v": 41.4},
        ]  # fmt: skip
        first, second = decode(TOPIC, json.dumps(pack).encode(), NOW)
        assert first.at == datetime.fromtimestamp(1772441000, UTC)
        assert second.at - first.at == timedelta(seconds=30)
        assert (first.air_c, first.rh_pct) == (23.1, 41.5)
        assert (second.air_c, second.rh_pct) == (23.2, 41.4)
        assert first.timed

    def test_times_below_two_to_the_28_count_from_now(self):
        # Section 4.5.3; -10 is ten seconds ago.
        pack = [
            {"n": "temperature", "u": "Cel", "t": -10, "v": 20},
            {"n": "humidity", "u": "%RH", "t": -10, "v": 50},
        ]
        (report,) = decode(TOPIC, json.dumps(pack).encode(), NOW)
        assert report.at == NOW - timedelta(seconds=10)
        assert not report.timed

    def test_base_value_is_added(self):
        pack = [
            {"bu": "Cel", "bv": 20, "n": "temperature", "v": 3.1},
            {"bv": 0, "n": "humidity", "u": "%RH", "v": 50},
        ]
        (report,) = decode(TOPIC, json.dumps(pack).encode(), NOW)
        assert report.air_c == pytest.approx(23.1, abs=1e-12)  # one rounding of a double

    def test_kelvin_ratio_and_hectopascal(self):
        pack = [
            {"n": "temp", "u": "K", "v": 293.15},
            {"n": "rh", "u": "/", "v": 0.5},
            {"n": "surface", "u": "K", "v": 292.15},
            {"n": "pressure", "u": "hPa", "v": 1013.25},
            {"n": "battery", "u": "/", "v": 0.5},
        ]
        (report,) = decode(TOPIC, json.dumps(pack).encode(), NOW)
        # 0 °C is 273.15 K; one rounding of a double is about 6e-14 at 293.
        assert report.air_c == pytest.approx(20.0, abs=1e-12)
        assert report.surface_c == pytest.approx(19.0, abs=1e-12)
        assert (report.rh_pct, report.pressure_pa) == (50.0, 101325.0)
        assert report.battery_pct == 50.0

    def test_other_records_are_passed_over(self):
        pack = [
            {"n": "battery", "u": "%EL", "v": 80},
            {"n": "open", "vb": True},
            {"n": "air", "v": 20},
            {"n": "humidity", "v": 50},
        ]
        assert len(decode(TOPIC, json.dumps(pack).encode(), NOW)) == 1

    @pytest.mark.parametrize(
        ("pack", "field"),
        [
            ([], "payload"),
            ([1], "payload"),
            ([{"n": "vibration", "v": 1}], "payload"),
            ([{"n": "air", "v": 20}], "rh_pct"),
            ([{"n": "humidity", "v": 50}], "air_c"),
            ([{"n": "air", "v": 20}, {"n": "humidity", "v": 50, "t": 5}], "rh_pct"),
            ([{"n": "air", "v": 20}, {"n": "air", "v": 25}, {"n": "rh", "v": 50}], "air_c"),
            ([{"n": "air", "v": 68, "u": "degF"}, {"n": "rh", "v": 50}], "air_c"),
            ([{"n": "air", "v": "20"}, {"n": "rh", "v": 50}], "air_c"),
            ([{"n": "air", "v": True}, {"n": "rh", "v": 50}], "air_c"),
            ([{"n": 5, "v": 20}], "n"),
            ([{"bn": 5, "n": "air", "v": 20}], "n"),
            ([{"bt": "now", "n": "air", "v": 20}], "bt"),
            ([{"t": [], "n": "air", "v": 20}], "t"),
            ([{"bver": 11, "n": "air", "v": 20}], "bver"),
            ([{"bver": "10", "n": "air", "v": 20}], "bver"),
            ([{"n": "air", "v": 20, "spin_": 3}], "spin_"),
            ([{"bt": 1e308, "t": 1e308, "n": "air", "v": 20}], "at"),
            ([{"bv": 1.7e308, "n": "air", "v": 1.7e308}], "air_c"),
            ([{"n": "vibration", "v": 1}] * 1001, "payload"),
        ],
    )
    def test_what_cannot_be_used_is_named(self, pack, field):
        assert refused(json.dumps(pack).encode()).field == field


instants = st.integers(946_684_800, 4_070_908_800).map(
    lambda s: datetime.fromtimestamp(s, timezone(timedelta(hours=-5)))
)


class TestEncode:
    @given(
        air_c=st.floats(-40, 60),
        rh_pct=st.floats(0, 100),
        surface_c=st.none() | st.floats(-40, 80),
        pressure_pa=st.none() | st.floats(50_000, 110_000),
        at=st.none() | instants,
    )
    def test_what_is_encoded_is_decoded(self, air_c, rh_pct, surface_c, pressure_pa, at):
        payload = encode(
            at=at, air_c=air_c, rh_pct=rh_pct, surface_c=surface_c, pressure_pa=pressure_pa
        )
        (report,) = decode(TOPIC, payload, NOW)
        # Values are sent to three decimals (pressure one), instants to a millisecond.
        assert report.air_c == pytest.approx(air_c, abs=5.1e-4)
        assert report.rh_pct == pytest.approx(rh_pct, abs=5.1e-4)
        for back, given_value, digit in (
            (report.surface_c, surface_c, 5.1e-4), (report.pressure_pa, pressure_pa, 0.051),
        ):  # fmt: skip
            assert (back is None) == (given_value is None)
            assert given_value is None or math.isclose(back, given_value, abs_tol=digit)
        assert abs(report.at - (at or NOW)) < timedelta(milliseconds=1)

    @pytest.mark.parametrize(
        ("values", "field"),
        [
            ({"air_c": math.nan, "rh_pct": 50}, "air_c"),
            ({"air_c": 20, "rh_pct": math.inf}, "rh_pct"),
            ({"air_c": 20, "rh_pct": 50, "at": NOW.replace(tzinfo=None)}, "at"),
        ],
    )
    def test_what_cannot_be_sent(self, values, field):
        with pytest.raises(PayloadError) as caught:
            encode(**values)
        assert caught.value.field == field


any_json = st.recursive(
    st.none() | st.booleans() | st.integers() | st.floats() | st.text(max_size=20),
    lambda inner: (
        st.lists(inner, max_size=4) | st.dictionaries(st.text(max_size=8), inner, max_size=4)
    ),
    max_leaves=12,
)
labels = st.sampled_from(
    ["at", "air_c", "rh_pct", "surface_c", "pressure_pa", "battery_pct", "bn", "bt", "bu", "bv",
     "bver", "n", "u", "v", "vb", "t", "x_"]
)  # fmt: skip
words = st.sampled_from(["temperature", "humidity", "surface", "pressure", "Cel", "%RH", "Pa", "K"])
records = st.dictionaries(labels, any_json | words | st.floats(-100, 2e9), max_size=8)


class TestNothingElseEscapes:
    """Decoders turn whatever comes into reports or a PayloadError; any other exception fails."""

    def check(self, topic: str, payload: bytes) -> None:
        error = None
        try:
            reports = decode(topic, payload, NOW)
        except PayloadError as caught:
            error = caught
        if error is not None:
            assert 0 < len(error.field) <= 64
            # Fit to be kept: text that UTF-8 can carry.
            assert error.reason.encode()
            assert error.field.encode()
            return
        assert reports
        for report in reports:
            assert math.isfinite(report.air_c)
            assert math.isfinite(report.rh_pct)
            assert report.at.utcoffset() == timedelta(0)

    @given(st.binary(max_size=200))
    def test_bytes(self, payload):
        self.check(TOPIC, payload)

    @given(st.text(max_size=80))
    def test_topics(self, topic):
        self.check(topic, sent(air_c=20, rh_pct=50))
        self.check(f"boothglass/{topic}/wall", sent(air_c=20, rh_pct=50))

    @given(any_json)
    def test_json(self, body):
        self.check(TOPIC, json.dumps(body).encode())

    @given(records)
    def test_objects_with_our_labels(self, body):
        self.check(TOPIC, json.dumps(body).encode())

    @given(st.lists(records, max_size=5))
    def test_packs_with_senml_labels(self, pack):
        self.check(TOPIC, json.dumps(pack).encode())
