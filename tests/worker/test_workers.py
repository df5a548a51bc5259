"""Workers share the readings, lead one at a time, and know what the others have changed."""

from __future__ import annotations

import hashlib
import json
import time
from collections.abc import Iterator
from datetime import UTC, datetime, timedelta
from pathlib import Path

import databases
import paho.mqtt.client as mqtt
import pytest
from equipment import PASSWORD, USER, Mosquitto, eventually
from paho.mqtt.enums import CallbackAPIVersion
from paho.mqtt.packettypes import PacketTypes
from paho.mqtt.properties import Properties
from prometheus_client.metrics_core import Sample
from prometheus_client.parser import text_string_to_metric_families
from sqlmodel import func, select
from workerkit import BEGAN, Make, kept, publish, starting

from sensors.proposal import ListenError
from service.app import Shop
from service.settings import Settings
from service.store.db import Database
from service.store.kinds import Kind, Kinds
from service.store.settling import unsettled_hours
from service.store.tables import Reading
from service.worker import lines as worker_lines
from service.worker.worker import Worker

pytestmark = pytest.mark.real

HALL = {
    "topic": "hall/{sensor}",
    "place": "hall",
    "values": {
        "air_c": {"pointer": "/t", "unit": "°C"},
        "rh_pct": {"pointer": "/h", "unit": "%"},
    },
    "time": {"pointer": "/at", "form": "epoch_s"},
}


@pytest.fixture
def settings(tmp_path: Path, mosquitto: Mosquitto) -> Settings:
    data = tmp_path / "shared"
    data.mkdir()
    name = "work" + hashlib.sha256(str(tmp_path).encode()).hexdigest()[:16]
    made = Settings(
        data=data,
        database_url=databases.on_server(name),
        mqtt_url=mosquitto.url,
        sign_in="off",
        zone="UTC",
        tick_s=0.2,
    )
    db = Database(str(made.database_url))
    db.upgrade()
    db.dispose()
    return made


@pytest.fixture
def make(settings: Settings) -> Iterator[Make]:
    """Return what starts a worker beside those that run."""
    with starting(settings) as start:
        yield start


def figures(worker: Worker) -> dict[str, list[Sample]]:
    room = worker.room("")
    assert room is not None
    text = room.web().state.metrics.text().decode()
    return {family.name: family.samples for family in text_string_to_metric_families(text)}


def test_the_figures_of_all_are_in_the_answer_of_each(
    settings: Settings, mosquitto: Mosquitto
) -> None:
    with starting(settings.model_copy(update={"workers": 2})) as make:
        workers = [make(), make()]
        for worker in workers:
            figures(worker)  # its pages are open from now on
        publish(mosquitto, 0, 20)
        eventually(lambda: kept(workers[0]) == 20, what="all are kept")
        counted = [worker.committer.counters.recorded for worker in workers]
        for worker in workers:
            found = figures(worker)
            each = {s.labels["worker"]: s.value for s in found["boothglass_readings_recorded"]}
            assert each == {"1": counted[0], "2": counted[1]}
            leads = {s.labels["worker"]: s.value for s in found["boothglass_worker_leads"]}
            assert leads == {"1": 1.0, "2": 0.0}
        # One that does not answer holds up nobody.
        workers[1].wire.stop()
        found = figures(workers[0])
        assert {s.labels["worker"] for s in found["boothglass_readings_recorded"]} == {"1"}


def unsettled(worker: Worker) -> bool:
    room = worker.room("")
    assert room is not None
    with room.db.read() as session:
        return unsettled_hours(session) > 0


def test_each_takes_its_share_and_one_settles_it(make: Make, mosquitto: Mosquitto) -> None:
    workers = [make(), make()]
    assert [worker.standing.number for worker in workers] == [1, 2]
    assert [worker.standing.leads("") for worker in workers] == [True, False]
    eventually(lambda: workers[0].lines._dealt_out(), what="the guard takes none any more")
    publish(mosquitto, 0, 40)
    eventually(lambda: kept(workers[0]) == 40, what="all are kept")
    shares = [worker.committer.counters.recorded for worker in workers]
    assert sum(shares) == 40
    assert min(shares) > 0
    eventually(lambda: not unsettled(workers[0]), what="all are settled")


def test_pages_of_every_worker_hear_of_a_reading(make: Make, mosquitto: Mosquitto) -> None:
    workers = [make(), make()]
    heard: list[list[str]] = [[], []]
    for worker, told in zip(workers, heard, strict=True):
        room = worker.room("")
        assert room is not None
        room.web()
        spread = room.rooms.hub.spread

        def noted(event: str, data: object, told=told, spread=spread) -> None:
            told.append(event)
            spread(event, data)

        room.rooms.hub.spread = noted  # type: ignore[method-assign]
    publish(mosquitto, 0, 1)
    eventually(lambda: all("air" in told for told in heard), what="both are told")
    # A tap in one is heard in the other.
    room = workers[1].room("")
    assert room is not None
    room.rooms.hub.publish("work", {"instrument": 7})
    eventually(lambda: "work" in heard[0], what="the other is told of work")
    assert heard[1].count("work") == 1


def test_each_says_how_it_is(make: Make) -> None:
    for worker in (make(), make()):
        room = worker.room("")
        assert room is not None
        said = room.web().state.shop.health()
        assert {"broker", "database", "proxy", "workers"} <= set(said["checks"])
        assert said["worker"] == worker.standing.number


def test_another_leads_when_the_leader_goes_and_nothing_is_lost(
    make: Make, mosquitto: Mosquitto, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(worker_lines, "HEIR_AFTER_S", 1.0)
    first, second = make(), make()
    publish(mosquitto, 0, 10)
    eventually(lambda: kept(second) == 10)
    first.stop()
    # The broker keeps collecting the share of the one that is gone.
    publish(mosquitto, 10, 20)
    eventually(lambda: second.standing.leads(""), what="the other leads")
    eventually(lambda: kept(second) == 30, what="what was left behind is taken over")
    eventually(lambda: not unsettled(second))
    mark = second.settings.data / "mqtt-sessions" / "1"
    eventually(lambda: not mark.exists(), what="the session is ended")
    publish(mosquitto, 30, 10)
    eventually(lambda: kept(second) == 40, what="nothing goes to the session that was ended")


def test_a_round_of_listening_is_told_of_by_every_worker(make: Make, mosquitto: Mosquitto) -> None:
    rooms = [worker.room("") for worker in (make(), make())]
    one, other = (room.rooms.web.state.shop.listener for room in rooms if room is not None)
    assert other.overheard().state == "idle"
    one.start(4, lambda _topic: False)
    with pytest.raises(ListenError, match="under way"):
        other.start(4, lambda _topic: False)

    def heard() -> bool:
        mosquitto.publish("hall/weather/1", "21.5")
        return any(one.topic == "hall/weather/1" for one in other.overheard().topics)

    eventually(heard, what="the other tells what was heard")
    eventually(lambda: other.overheard().state == "done", what="and that it is over")
    assert other.overheard().topics[0].samples[0] == b"21.5"


def test_settings_and_recipes_of_one_hold_in_the_other(make: Make) -> None:
    rooms = [worker.room("") for worker in (make(), make())]
    one, other = (room.rooms for room in rooms if room is not None)
    one.set_up.change({"stale_after_s": 90.0})
    eventually(lambda: other.desk.facts.stale_after_s == 90.0, what="the setting is taken over")
    material = next(m for m in one.catalogue.materials.values() if m.blend is not None)
    one.work.recipes.enter_figures(
        material.id, marks={}, limits={"rh_max_pct": 41.0}, basis="data sheet of the test"
    )
    eventually(
        lambda: other.catalogue.materials[material.id].limits.rh_max_pct.value == 41.0,
        what="the limit is taken over",
    )


def test_from_one_process_to_workers_and_back_nothing_is_lost(
    make: Make, mosquitto: Mosquitto, settings: Settings
) -> None:
    alone = Shop(settings)
    alone.start()
    try:
        assert alone.intake.wait_connected(10)
        publish(mosquitto, 0, 5)
        eventually(lambda: alone.intake.health()["recorded"] == 5)
    finally:
        alone.stop()
    publish(mosquitto, 5, 5)  # waits in the session of the one process
    worker = make()
    eventually(lambda: kept(worker) == 10, what="it is taken over")
    worker.stop()
    publish(mosquitto, 10, 5)  # waits in the worker's session
    again = Shop(settings)
    again.start()
    try:
        eventually(lambda: not list((settings.data / "mqtt-sessions").iterdir()), 20)
        with again.db.read() as session:
            assert session.exec(select(func.count()).select_from(Reading)).one() == 15
    finally:
        again.stop()


def test_a_worker_that_loses_the_database_stands_again(make: Make, mosquitto: Mosquitto) -> None:
    worker = make()
    room = worker.room("")
    assert room is not None
    with room.db.engine.connect() as connection:
        connection.exec_driver_sql(
            "SELECT pg_terminate_backend(pid) FROM pg_stat_activity "
            "WHERE datname = current_database() AND pid <> pg_backend_pid()"
        )
    publish(mosquitto, 0, 3)
    eventually(lambda: kept(worker) == 3, what="readings are kept again")
    eventually(lambda: worker.standing.problem is None and worker.standing.leads(""))
    eventually(lambda: worker.wire.problem is None)
    eventually(lambda: not unsettled(worker), what="what was not told is settled all the same")


def test_what_waits_for_a_sensor_kind_is_read_by_the_next_leader(
    make: Make, mosquitto: Mosquitto, monkeypatch: pytest.MonkeyPatch
) -> None:
    first, second = make(), make()
    publish(mosquitto, 0, 10)
    eventually(lambda: kept(second) == 10, what="both know the shop")
    one, other = first.room(""), second.room("")
    assert one is not None
    assert other is not None
    Kinds(one.db, first.clock).adopt("Hall", HALL)
    one.ties.kinds_changed("")
    eventually(lambda: not second.room("").kinds.known, what="the other hears of it")  # type: ignore[union-attr]
    line = first.lines._slices[0]
    eventually(lambda: line.filters._standing == {"hall/+"}, what="it is subscribed to")
    # The leader keeps nothing more, and goes; reading the kinds takes the next one a while.
    first.committer.stop()
    mosquitto.publish("hall/a", {"t": 19.0, "h": 44.0, "at": BEGAN.timestamp()})
    eventually(lambda: line._offered > 0, what="it was handed on")
    in_use = other.kinds._kinds.in_use

    def slowly() -> list[Kind]:
        time.sleep(0.5)
        return in_use()

    monkeypatch.setattr(other.kinds._kinds, "in_use", slowly)
    first.stop()
    eventually(lambda: kept(second) == 11, 20, "it is kept by the one that leads now")


def test_a_session_that_a_killed_broker_knows_again_is_ended_again(
    make: Make, mosquitto: Mosquitto, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(worker_lines, "HEIR_AFTER_S", 0.5)
    first, second = make(), make()
    mark = second.settings.data / "mqtt-sessions" / "1"
    gone = first.lines._base + "-1"
    first.stop()
    eventually(lambda: not mark.exists(), 20, "it was ended")
    assert not session_there(mosquitto, gone)
    # Now the broker knows it, as one that was killed knows it from what it had written down.
    assert session_there(mosquitto, gone)
    mosquitto.stop()
    mosquitto.start()
    eventually(lambda: second.lines.connected, 20, "the other is back")
    eventually(mark.exists, 20, "it is looked at again")
    eventually(lambda: not mark.exists(), 20, "it is ended again")
    assert not session_there(mosquitto, gone)


def session_there(broker: Mosquitto, client_id: str) -> bool:
    """Whether the broker knows a session; from then on it does."""
    visitor = mqtt.Client(CallbackAPIVersion.VERSION2, client_id=client_id, protocol=mqtt.MQTTv5)
    visitor.username_pw_set(USER, PASSWORD)
    forever = Properties(PacketTypes.CONNECT)  # type: ignore[no-untyped-call]  # paho leaves it untyped
    forever.SessionExpiryInterval = 0xFFFFFFFF
    told: list[bool] = []
    visitor.on_connect = lambda _c, _d, flags, *_: told.append(flags.session_present)
    visitor.connect("127.0.0.1", broker.port, clean_start=False, properties=forever)
    visitor.loop_start()
    eventually(lambda: told, what="the broker answers")
    visitor.disconnect()
    visitor.loop_stop()
    return told[0]


def test_what_was_foretold_while_nobody_led_is_heard_by_the_next_leader(
    make: Make, mosquitto: Mosquitto
) -> None:
    first, second = make(), make()
    first.foretold.stop()  # as if it was gone, and its locks not yet
    now = datetime.now(UTC)
    hours = [
        {"at": (now + timedelta(hours=ahead)).isoformat(), "air_c": 4.0, "rh_pct": 80.0}
        for ahead in (1, 2)
    ]
    told = json.dumps({"issued_at": now.isoformat(), "hours": hours})
    mosquitto.publish("boothglass/$forecast", told, retain=True)
    room = second.room("")
    assert room is not None
    first.stop()
    eventually(lambda: second.standing.leads(""), what="the other leads")
    eventually(lambda: room.foretold.kept == 2, what="it is kept")


def test_what_comes_before_anybody_shares_again_is_kept(make: Make, mosquitto: Mosquitto) -> None:
    """Mosquitto forgets over a restart who shares a subscription."""
    workers = [make(), make()]
    publish(mosquitto, 0, 10)
    eventually(lambda: kept(workers[0]) == 10)
    eventually(lambda: workers[0].lines._dealt_out(), what="the guard takes none any more")
    before = [worker.committer.counters.duplicates for worker in workers]
    publish(mosquitto, 10, 10)
    eventually(lambda: kept(workers[0]) == 20)
    assert [worker.committer.counters.duplicates for worker in workers] == before
    mosquitto.stop()
    mosquitto.start()
    publish(mosquitto, 20, 30)  # at once, before a worker is back
    eventually(lambda: kept(workers[0]) == 50, 20, what="none is lost")
    eventually(lambda: not unsettled(workers[0]))
