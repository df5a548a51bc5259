"""The whole service tells a person: what hangs holds up no look, a power cut loses nothing."""

from __future__ import annotations

import threading
from collections import Counter
from datetime import timedelta
from typing import Any

import pytest
from equipment import eventually
from receiver import Receiver
from running import Listener, Service

pytestmark = [pytest.mark.real, pytest.mark.slow]


def test_a_channel_that_hangs_and_a_power_cut(mosquitto, data_folder, tmp_path, monkeypatch):
    hang, came = threading.Event(), threading.Event()

    def hanging(_: dict[str, Any]) -> int:
        came.set()
        hang.wait(60)
        return 204

    monkeypatch.setenv("BOOTHGLASS_WEBHOOK_HOSTS", "127.0.0.1")
    service = Service(data_folder, mosquitto.url)
    listener = Listener(mosquitto, tmp_path / "heard")
    with Receiver() as receiver:
        receiver.answer = hanging
        try:
            service.start()
            config = {"url": receiver.url, "secret": "whsec_" + 32 * "A"}
            service.post("people", name="Ana", telling={"group_min": 0})
            service.post("people/1/channels", kind="webhook", config=config)
            at = service.now()
            for sensor, minutes in (("wall", 0), ("door", 4)):
                reading = {
                    "at": (at + timedelta(minutes=minutes)).isoformat(),
                    "air_c": 21.0,
                    "rh_pct": 45.0,
                }
                if minutes:
                    service.forward(minutes=minutes)
                mosquitto.publish(f"boothglass/booth/{sensor}", reading)
            eventually(lambda: len(service.get("sensors")) == 2, what="both sensors are known")
            service.forward(minutes=8)
            assert came.wait(20), "the silence of the first sensor is told"
            # The channel hangs; the looks go on, and tell of the second silence meanwhile.
            service.forward(minutes=4)
            eventually(lambda: len(listener.heard("sensor-silent")) == 2, 20, "two silences")
            assert receiver.got == []
            service.kill()
            hang.set()
            eventually(lambda: len(receiver.got) == 1, what="what was under way has arrived")
            service.start()
            service.forward(minutes=3)  # the claim of the one that died lapses
            eventually(lambda: len(receiver.got) == 3, 30, "the rest is sent")
            told = Counter(body["data"]["delivery"] for body in receiver.got)
            assert sorted(told.values()) == [1, 2]
            notices = {body["data"]["delivery"]: body["data"]["notices"] for body in receiver.got}
            assert sorted(n for ids in notices.values() for n in ids) == [1, 2]
            eventually(
                lambda: {d["state"] for d in service.get("people/1/deliveries")} == {"sent"},
                what="both are marked",
            )
        finally:
            hang.set()
            service.stop()
            listener.stop()
