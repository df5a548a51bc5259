"""``/health`` says why, ``/metrics`` is what Prometheus reads: asked over HTTP, of real rooms."""

from __future__ import annotations

import os
import socket
from collections.abc import Iterator
from datetime import timedelta
from pathlib import Path

import databases
import httpx
import pytest
from equipment import Mosquitto, SetClock, eventually
from prometheus_client.parser import text_string_to_metric_families
from running import Service
from shopkit import LiveShop

from service.settings import Settings
from service.store.counting import WriteProbe, outgoing
from service.store.db import Database
from service.store.tables import Channel, Delivery, Person
from service.web.metrics import Figure, Metrics


@pytest.fixture(scope="module")
def service(tmp_path_factory: pytest.TempPathFactory) -> Iterator[tuple[Service, Mosquitto]]:
    folder = tmp_path_factory.mktemp("watched")
    broker = Mosquitto(folder / "broker")
    broker.start()
    (folder / "data").mkdir()
    made = Service(folder / "data", broker.url)
    made.start()
    yield made, broker
    made.stop()
    broker.stop()


def figures(service: Service) -> dict[tuple[str, tuple[tuple[str, str], ...]], float]:
    """What Prometheus' own parser makes of the answer."""
    answer = httpx.get(f"{service.base}/metrics", timeout=20)
    assert answer.status_code == 200
    assert answer.headers["content-type"].startswith("text/plain; version=0.0.4")
    return {
        (
            sample.name.removeprefix("boothglass_"),
            tuple(sorted(sample.labels.items())),
        ): sample.value
        for family in text_string_to_metric_families(answer.text)
        for sample in family.samples
    }


@pytest.mark.real
def test_readings_refusals_and_requests_are_counted(service: tuple[Service, Mosquitto]) -> None:
    running, broker = service
    before = figures(running)
    at = running.now().isoformat()
    broker.publish("boothglass/booth/wall", {"at": at, "air_c": 20.0, "rh_pct": 50.0})
    broker.publish("boothglass/booth/wall", "not a reading")
    eventually(lambda: figures(running)["readings_refused_total", ()] == 1, 30, "it is refused")
    after = figures(running)
    assert after["readings_recorded_total", ()] == before["readings_recorded_total", ()] + 1
    assert after["broker_connected", ()] == 1
    assert 0 <= after["reading_age_seconds", (("place", "booth"), ("sensor", "wall"))] < 120
    assert after["check_age_seconds", ()] < 60
    assert after["database_bytes", ()] > 10_000
    assert after["deliveries", (("outcome", "sent"),)] == 0
    route = (("method", "GET"), ("route", "/metrics"), ("status", "2xx"))
    assert after["request_seconds_count", route] >= 2
    assert after["up", ()] == 1
    httpx.get(f"{running.base}/nowhere/{'x' * 30}", timeout=20)
    known = {dict(labels).get("route") for name, labels in figures(running)}
    assert not any(route and "xxx" in route for route in known)  # no path becomes a label
    eventually(lambda: figures(running)["settling_lag_seconds", ()] == 0, 30, "all is settled")
    assert figures(running)["unsettled_hours", ()] == 0


@pytest.mark.real
def test_what_is_not_well_is_named_and_fails(service: tuple[Service, Mosquitto]) -> None:
    running, broker = service
    at = running.now().isoformat()
    broker.publish("boothglass/booth/wall", {"at": at, "air_c": 20.1, "rh_pct": 50.0})

    def told() -> tuple[int, dict]:
        answer = httpx.get(f"{running.base}/health", timeout=20)
        return answer.status_code, answer.json()

    eventually(lambda: told()[1]["status"] == "ok", 60, "all is well")
    status, said = told()
    assert status == 200
    assert {name: check["state"] for name, check in said["checks"].items()} == dict.fromkeys(
        ("broker", "readings", "database", "settling", "disk", "looks", "outlook", "messages",
         "keys", "proxy", "backup"), "ok",
    )  # fmt: skip
    assert httpx.head(f"{running.base}/health", timeout=20).status_code == 200
    running.forward(minutes=30)
    status, said = told()
    assert status == 503
    assert said["checks"]["readings"]["state"] == "failing"
    assert "sensor booth/wall is silent" in said["reasons"]
    assert said["checks"]["broker"]["state"] == "ok"
    broker.stop()
    eventually(lambda: told()[1]["checks"]["broker"]["state"] == "failing", 60, "it is missed")
    assert any("broker" in reason for reason in told()[1]["reasons"])
    broker.start()
    eventually(lambda: told()[1]["checks"]["broker"]["state"] == "ok", 60, "it is found again")


def test_a_database_that_cannot_be_written_is_told(tmp_path: Path) -> None:
    url, clock = databases.fresh(tmp_path), SetClock()
    database = Database(url)
    probe = WriteProbe(database, every_s=0.0)
    assert probe.problem(clock.now()) is None
    engine = database.engine
    with engine.begin() as connection:
        connection.exec_driver_sql("ALTER TABLE fact RENAME TO away")
    assert "fact" in str(probe.problem(clock.now()))
    with engine.begin() as connection:
        connection.exec_driver_sql("ALTER TABLE away RENAME TO fact")
    assert probe.problem(clock.now()) is None
    database.dispose()


def test_deliveries_are_counted_by_what_became_of_them(tmp_path: Path) -> None:
    database, clock = Database(databases.fresh(tmp_path)), SetClock()
    now = clock.now()
    with database.write() as session:
        session.add(Person(id=1, name="Ana", made_at=now))
        session.flush()
        session.add(Channel(id=1, person_id=1, kind="email", name="mail", made_at=now))
        session.flush()
        for n, state in enumerate(("sent", "sent", "waiting", "waiting", "given_up")):
            due = now - timedelta(minutes=5) if n == 2 else now + timedelta(hours=1)
            session.add(
                Delivery(
                    key=str(n), group_key="g", kind="k", person_id=1, channel_id=1, due_at=due,
                    state=state, made_at=now, ack_token=str(n),
                )
            )  # fmt: skip
    found = outgoing(database, now)
    assert found.by_state == {"sent": 2, "waiting": 2, "given_up": 1}
    assert found.due == 1
    assert found.oldest_due_at == now - timedelta(minutes=5)
    database.dispose()


def test_labels_and_kinds_are_as_prometheus_wants_them() -> None:
    metrics = Metrics(
        lambda: [
            Figure("a", "An a", 1, {"place": 'b"o\\oth\n'}),
            Figure("a", "An a", 2, {"place": "rack"}),
            Figure("b", "A b", 3, counter=True),
        ]
    )
    families = {f.name: f for f in text_string_to_metric_families(metrics.text().decode())}
    a = families["boothglass_a"]
    assert [(s.labels["place"], s.value) for s in a.samples] == [('b"o\\oth\n', 1), ("rack", 2)]
    assert families["boothglass_b"].type == "counter"


def test_both_can_be_asked_on_a_shop_without_a_watch(tmp_path: Path) -> None:
    shop = LiveShop(tmp_path)
    try:
        assert shop.http.get("/health").json()["status"] == "ok"
        assert "boothglass_request_seconds" in shop.http.get("/metrics").text
    finally:
        shop.close()


def test_systemd_is_told(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    from sensors.node.notify import tell

    with socket.socket(socket.AF_UNIX, socket.SOCK_DGRAM) as there:
        there.bind(str(tmp_path / "s"))
        tell("READY=1", {"NOTIFY_SOCKET": str(tmp_path / "s")})
        assert there.recv(100) == b"READY=1"
    assert Settings(_env_file=None, data=Path(os.sep)).log_format == "text"
