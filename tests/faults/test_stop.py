"""Asked to stop, the service ends what it has in hand: taps are answered, messages told once."""

from __future__ import annotations

import contextlib
import signal
import threading
import time
from collections import Counter
from itertools import count
from pathlib import Path
from typing import Any

import httpx
import pytest
from equipment import Mosquitto, eventually
from receiver import Receiver
from running import Service

pytestmark = pytest.mark.real


def test_taps_under_way_are_answered_and_messages_marked(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    broker, receiver = Mosquitto(tmp_path / "broker"), Receiver()
    broker.start()
    (tmp_path / "data").mkdir()
    arrived = threading.Event()

    def slowly(_body: dict[str, Any]) -> int:
        arrived.set()
        time.sleep(2.0)
        return 204

    receiver.answer = slowly
    host = receiver.url.split("/")[2]
    monkeypatch.setenv("BOOTHGLASS_WEBHOOK_HOSTS", host)
    with receiver:
        service = Service(tmp_path / "data", broker.url)
        service.start()
        person = service.post("people", name="Ana", telling={"group_min": 0})["id"]
        config = {"url": receiver.url, "secret": "whsec_" + 32 * "A"}
        service.post(f"people/{person}/channels", kind="webhook", config=config)
        at = service.now().isoformat()
        broker.publish("boothglass/booth/wall", {"at": at, "air_c": 20.0, "rh_pct": 50.0})
        eventually(lambda: service.get("health")["mqtt"]["recorded"] == 1, 30, "it is kept")
        service.forward(hours=2)  # the sensor falls silent, which is a message
        assert arrived.wait(60)
        answers: list[int] = []

        def keep_tapping(who: int) -> None:
            # Nobody listens any more; who was not let in yet is cut off. Counted below.
            with contextlib.suppress(httpx.TransportError):
                for n in count():
                    body = {"id": f"p{who}-{n}", "name": "A place", "kind": "rack"}
                    answer = httpx.post(f"{service.base}/api/v1/places", json=body, timeout=20)
                    answers.append(answer.status_code)

        taps = [threading.Thread(target=keep_tapping, args=(who,)) for who in range(4)]
        for thread in taps:
            thread.start()
        eventually(lambda: len(answers) > 4, 60, "taps are answered")
        assert service._process is not None
        service._process.send_signal(signal.SIGTERM)
        for thread in taps:
            thread.join()
        assert service._process.wait(timeout=30) in (0, -signal.SIGTERM)
        service._process = None
        told = len(receiver.got)
        assert told >= 1  # the one in hand was not broken off
        receiver.answer = lambda _: 204
        service.start()
        assert set(answers) == {201}
        tapped = [place for place in service.get("places") if place["id"].startswith("p")]
        assert len(tapped) == len(answers)  # whatever was recorded was answered, and the reverse
        (delivery, *_) = service.get(f"people/{person}/deliveries")
        assert delivery["state"] == "sent"
        time.sleep(1.0)
        times = Counter(body["data"]["delivery"] for body in receiver.got)
        assert set(times.values()) == {1}  # and nothing is told twice
        service.stop()
    broker.stop()
