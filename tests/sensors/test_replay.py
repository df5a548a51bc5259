"""A recorded series played through a real broker, and the clock it drives."""

from __future__ import annotations

import http.server
import json
import threading
import time
from collections.abc import Iterator
from contextlib import contextmanager
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import Any

import pytest
from equipment import Mosquitto, eventually, free_port
from listening import Listener

from sensors.payloads import decode
from sensors.replay import Pace, ReplayError, load_series, play, run
from sensors.series import Row
from service.science import air

START = datetime(2026, 3, 2, 9, 0, tzinfo=UTC)


def rows(*seconds: float) -> list[Row]:
    return [Row(START + timedelta(seconds=s), 20.0 + i, 50.0) for i, s in enumerate(seconds)]


@pytest.fixture
def logger(tmp_path: Path) -> Path:
    file = tmp_path / "logger.csv"
    lines = [f"{(START + timedelta(seconds=s)).isoformat()},20,50" for s in range(0, 120, 10)]
    file.write_text("at,air_c,rh_pct\n" + "\n".join(lines) + "\n")
    return file


class TestPace:
    def test_shop_time_runs_at_the_speed_told(self) -> None:
        sent: list[float] = []
        begun = time.monotonic()
        play(rows(0, 360, 720), lambda _: sent.append(time.monotonic() - begun), Pace(START, 1800))
        # 360 s of shop time at 1800x is 0.2 s; a busy machine is late, never early.
        assert sent[0] < 0.2
        assert 0.2 <= sent[1] < 0.4
        assert 0.4 <= sent[2] < 2.0

    def test_a_late_row_does_not_put_off_the_others(self) -> None:
        sent: list[float] = []
        begun = time.monotonic()

        def send(_: Row) -> None:
            sent.append(time.monotonic() - begun)
            time.sleep(0.15 if len(sent) == 1 else 0.0)

        play(rows(0, 180, 720), send, Pace(START, 1800))
        assert 0.15 <= sent[1] < 0.4
        assert 0.4 <= sent[2] < 2.0

    def test_speed_nought_does_not_wait(self) -> None:
        begun = time.monotonic()
        assert play(rows(0, 86_400, 172_800), lambda _: None, Pace(START, 0)) == 3
        assert time.monotonic() - begun < 1.0

    def test_progress_is_told_at_the_end(self) -> None:
        told: list[tuple[int, datetime]] = []
        play(rows(0, 10), lambda _: None, Pace(START, 0), lambda n, at, _: told.append((n, at)))
        assert told == [(2, START + timedelta(seconds=10))]


@pytest.mark.real
class TestThroughABroker:
    def test_a_day_of_the_weather_year_arrives_whole(self, mosquitto: Mosquitto) -> None:
        listener = Listener(mosquitto)
        played = run(
            "pvlib:723170TYA", speed=0, place="door", sensor="weather", url=mosquitto.url, rows=24
        )
        assert (played.rows, played.acknowledged, played.complete) == (24, 24, True)
        eventually(lambda: len(listener.got) == 24, what="24 hours arrived")
        listener.close()
        file = load_series("pvlib:723170TYA")[:24]
        for heard, row in zip(listener.got, file, strict=True):
            assert heard.topic == "boothglass/door/weather"
            (told,) = decode(heard.topic, heard.payload, START)
            assert told.at == row.at
            assert (told.air_c, told.rh_pct) == (row.air_c, row.rh_pct)
            assert told.pressure_pa == row.pressure_pa
            # The file's own dew point; its RH is rounded to 1 %, which at 50 % and more moves the
            # dew point by up to 0.16 K, and both temperatures to 0.1 K.
            assert row.dew_point_c is not None
            assert air.dew_point(told.air_c, told.rh_pct) == pytest.approx(row.dew_point_c, abs=0.3)

    def test_original_times_follow_the_speed(self, mosquitto: Mosquitto, logger: Path) -> None:
        listener = Listener(mosquitto)
        played = run(str(logger), speed=100, url=mosquitto.url, quiet=True)
        assert played.rows == 12
        assert 1.1 <= played.seconds < 10.0  # 110 s at 100x, and the connection
        eventually(lambda: len(listener.got) == 12, what="12 rows arrived")
        listener.close()

    def test_times_moved_to_now(self, mosquitto: Mosquitto, logger: Path) -> None:
        listener = Listener(mosquitto)
        before = datetime.fromtimestamp(time.time(), UTC)
        run(str(logger), speed=3600, url=mosquitto.url, at="now", quiet=True)
        eventually(lambda: len(listener.got) == 12, what="12 rows arrived")
        listener.close()
        first, last = (json.loads(listener.got[i].payload)["at"] for i in (0, -1))
        begun = datetime.fromisoformat(first)
        assert timedelta(0) <= begun - before < timedelta(seconds=5)
        assert datetime.fromisoformat(last) - begun == timedelta(seconds=110)

    def test_a_coarse_record_is_filled_on_request(self, mosquitto: Mosquitto, logger: Path) -> None:
        played = run(str(logger), speed=0, url=mosquitto.url, every=5.0, rows=3, quiet=True)
        assert played.rows == 5

    def test_progress_and_sum_go_to_standard_error(
        self, mosquitto: Mosquitto, logger: Path, capsys: pytest.CaptureFixture[str]
    ) -> None:
        run(str(logger), speed=0, url=mosquitto.url)
        out, err = capsys.readouterr()
        assert out == ""
        assert "12/12 rows  2026-03-02 09:01 UTC" in err
        assert "12 rows sent, 12 acknowledged" in err

    def test_the_service_is_told_its_time_and_no_row_is_ahead_of_it(
        self, mosquitto: Mosquitto, logger: Path
    ) -> None:
        with clock_service() as service:
            listener = Listener(mosquitto, now=service.now)
            run(str(logger), speed=200, url=mosquitto.url, drive=service.url, quiet=True)
            assert service.asked == [{"rate": 200, "now": START.isoformat()}]
            eventually(lambda: len(listener.got) == 12, what="12 rows arrived")
            listener.close()
            for heard in listener.got:
                assert datetime.fromisoformat(json.loads(heard.payload)["at"]) <= heard.at

    def test_now_with_a_driven_clock_is_the_services_now(
        self, mosquitto: Mosquitto, logger: Path
    ) -> None:
        with clock_service(datetime(2031, 1, 1, tzinfo=UTC)) as service:
            listener = Listener(mosquitto)
            run(str(logger), speed=200, url=mosquitto.url, drive=service.url, at="now", quiet=True)
            assert service.asked == [{"rate": 200}]
            eventually(lambda: len(listener.got) == 12, what="12 rows arrived")
            listener.close()
            first = datetime.fromisoformat(json.loads(listener.got[0].payload)["at"])
            assert 0 < (first - datetime(2031, 1, 1, tzinfo=UTC)).total_seconds() < 600

    def test_a_clock_that_refuses_says_why(self, mosquitto: Mosquitto, logger: Path) -> None:
        with (
            clock_service(refuse="clock: this shop runs on real time") as service,
            pytest.raises(ReplayError, match="refuses: clock: this shop runs on real time"),
        ):
            run(str(logger), speed=200, url=mosquitto.url, drive=service.url, quiet=True)
        with pytest.raises(ReplayError, match="no service answers"):
            run(
                str(logger),
                speed=200,
                url=mosquitto.url,
                drive=f"http://127.0.0.1:{free_port()}",
                quiet=True,
            )


@pytest.mark.parametrize(
    ("changes", "says"),
    [
        ({"speed": 0.5}, "speed: 0.5 is outside"),
        ({"speed": 4000}, "speed: 4000 is outside"),
        ({"speed": 0, "drive": "http://127.0.0.1:1"}, "speed: a driven clock needs"),
        ({"at": "later"}, "at: 'later'"),
        ({"rows": 0}, "rows: 0"),
        ({"url": "http://broker"}, "url: expected mqtt://"),
        ({"place": "Spray Booth"}, "place: "),
        ({"place": "notices"}, "place: "),
        ({"every": -1.0}, "every: -1"),
        ({"file": "none.csv"}, "none.csv: No such file"),
    ],
)
def test_a_wrong_argument_is_named(logger: Path, changes: dict[str, Any], says: str) -> None:
    given: dict[str, Any] = {"file": str(logger), "url": "mqtt://127.0.0.1:1"} | changes
    with pytest.raises(ReplayError, match=says):
        run(given.pop("file"), **given)


def test_without_an_address_it_says_how_to_give_one(
    logger: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.delenv("BOOTHGLASS_MQTT_URL", raising=False)
    with pytest.raises(ReplayError, match="--url or BOOTHGLASS_MQTT_URL"):
        run(str(logger))


class ClockService:
    """The part of the service that a replay talks to: a driven clock over HTTP."""

    def __init__(self, port: int, start: datetime) -> None:
        self.url = f"http://127.0.0.1:{port}"
        self.asked: list[dict[str, Any]] = []
        self._anchor, self._rate, self._begun_s = start, 1.0, time.monotonic()

    def now(self) -> datetime:
        return self._anchor + timedelta(seconds=(time.monotonic() - self._begun_s) * self._rate)

    def drive(self, change: dict[str, Any]) -> None:
        self.asked.append(change)
        here = datetime.fromisoformat(change["now"]) if "now" in change else self.now()
        self._anchor, self._rate, self._begun_s = here, change["rate"], time.monotonic()


@contextmanager
def clock_service(start: datetime = START, refuse: str | None = None) -> Iterator[ClockService]:
    class Handler(http.server.BaseHTTPRequestHandler):
        def do_POST(self) -> None:
            assert self.path == "/api/v1/clock"
            body = json.loads(self.rfile.read(int(self.headers["Content-Length"])))
            if refuse is None:
                service.drive(body)
                self.answer(200, {"now": service.now().isoformat(), "rate": body["rate"]})
            else:
                self.answer(409, {"title": "Conflict", "detail": refuse})

        def answer(self, status: int, body: dict[str, Any]) -> None:
            raw = json.dumps(body).encode()
            self.send_response(status)
            self.send_header("Content-Length", str(len(raw)))
            self.end_headers()
            self.wfile.write(raw)

        def log_message(self, *_: object) -> None:
            pass

    with http.server.ThreadingHTTPServer(("127.0.0.1", 0), Handler) as server:
        service = ClockService(server.server_address[1], start)
        thread = threading.Thread(target=server.serve_forever, daemon=True)
        thread.start()
        yield service
        server.shutdown()
        thread.join()
