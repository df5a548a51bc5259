"""Notices out on MQTT: ``boothglass/notices/<kind>``, JSON, QoS 1.

A notice is marked as published only after the broker acknowledged it. A crash between the two
sends it again with the same ``id``, so a listener that must not hear twice keeps the ids it heard.
"""

from __future__ import annotations

import json
import logging
import threading
from typing import Any

from service.background_client import make_client, start_client, stop_client
from service.settings import MqttAddress
from service.store.notice_book import NoticeBook
from service.store.tables import Notice

__all__ = ["TOPIC", "NoticePublisher", "Outlet", "message"]

TOPIC = "boothglass/notices"
ACK_WAIT_S = 5.0

log = logging.getLogger(__name__)


def message(notice: Notice) -> dict[str, Any]:
    """Return a notice as it is published and as the API shows it."""
    return {
        "id": notice.id,
        "key": notice.key,
        "kind": notice.kind,
        "at": notice.at.isoformat().replace("+00:00", "Z"),
        "text": notice.text,
        "place": notice.place_id,
        "instrument": notice.instrument_id,
        "coat": notice.coat_id,
        "data": notice.data,
    }


class Outlet:
    """A connection to a broker that only publishes; may be used from any thread."""

    def __init__(self, address: MqttAddress) -> None:
        self._address = address
        self._client = make_client(address)

    def start(self) -> None:
        """Connect in the background; an absent broker is retried for ever."""
        start_client(self._client, self._address)

    def stop(self) -> None:
        """Disconnect."""
        stop_client(self._client)

    @property
    def open(self) -> bool:
        """Whether there is a connection."""
        return self._client.is_connected()

    def publish(self, topic: str, text: str) -> bool:
        """Publish one text; return whether the broker has taken it."""
        if not self.open:
            return False
        info = self._client.publish(topic, text, qos=1)
        try:
            info.wait_for_publish(ACK_WAIT_S)
        except (ValueError, RuntimeError) as error:
            log.warning("not published", extra={"topic": topic, "error": str(error)})
            return False
        return info.is_published()


class NoticePublisher:
    """Sends a book's unpublished notices; safe to ask at any time, from one thread at a time.

    Parameters
    ----------
    root : str
        What the shop's topics begin with.
    """

    def __init__(self, outlet: Outlet, book: NoticeBook, root: str = "") -> None:
        self._outlet, self._book, self._root = outlet, book, root
        self._busy = threading.Lock()

    def flush(self) -> int:
        """Publish what is unpublished, oldest first; return how many went out."""
        if not self._outlet.open or not self._busy.acquire(blocking=False):
            return 0
        sent = 0
        try:
            for notice in self._book.unpublished():
                text = json.dumps(message(notice), ensure_ascii=False)
                if not self.publish(f"{TOPIC}/{notice.kind}", text):
                    break
                self._book.mark_published(int(notice.id or 0))
                sent += 1
        finally:
            self._busy.release()
        return sent

    def publish(self, topic: str, text: str) -> bool:
        """Publish one text under one of the shop's topics; return whether the broker took it."""
        return self._outlet.publish(self._root + topic, text)
