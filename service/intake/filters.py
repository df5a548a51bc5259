"""The filters of adopted sensor kinds, kept in step with what the broker is subscribed to.

The broker keeps our session, and with it our subscriptions, over any restart. What was asked for is
therefore written down, so that a kind retired meanwhile can be unsubscribed.
"""

from __future__ import annotations

import json
import threading
from collections.abc import Mapping
from itertools import islice
from pathlib import Path
from typing import Any

import paho.mqtt.client as mqtt
from paho.mqtt.enums import MQTTProtocolVersion
from paho.mqtt.subscribeoptions import SubscribeOptions

from service.shop.said import say

__all__ = ["Filters"]

AT_ONCE = 50
"""Filters in one packet."""


class Filters:
    """What is wanted besides our own topics, and what the broker says to it.

    Parameters
    ----------
    file : Path
        Keeps what was asked for.
    """

    def __init__(self, file: Path) -> None:
        self._file = file
        self._lock = threading.Lock()
        self._wanted: dict[str, bool] | None = None
        self._asked = _read(file)
        self._standing: set[str] = set()
        self._under_way: dict[int, list[str]] = {}
        self._refused: set[str] = set()
        self._client: mqtt.Client | None = None
        self._protocol = mqtt.MQTTv311

    def want(self, filters: Mapping[str, bool]) -> None:
        """Ask for these and no others; each says whether its readings name their instant."""
        with self._lock:
            if filters == self._wanted:  # asked for, or refused; a new connection asks again
                return
            self._wanted = dict(filters)
            try:
                self._in_step()
            except BaseException:
                self._wanted = None  # whoever wants the same once more is not taken as served
                raise

    def connected(
        self, client: mqtt.Client, protocol: MQTTProtocolVersion, *, session_present: bool
    ) -> None:
        """Ask this connection for what is wanted."""
        with self._lock:
            self._client, self._protocol = client, protocol
            self._under_way.clear()
            if not session_present:
                self._standing.clear()
            self._in_step()

    def disconnected(self) -> None:
        """Ask for nothing until there is a connection again."""
        with self._lock:
            self._client = None

    def answered(self, mid: int, reasons: list[Any]) -> None:
        """Take the broker's answer to one of our packets."""
        with self._lock:
            for name, reason in zip(self._under_way.pop(mid, []), reasons, strict=False):
                (self._refused if reason.is_failure else self._standing).add(name)

    def problems(self) -> list[str]:
        """Filters that the broker refuses."""
        with self._lock:
            return [
                say("the broker refuses the subscription {topic}", topic=topic)
                for topic in sorted(self._refused)
            ]

    def _in_step(self) -> None:
        if self._wanted is None:  # not known yet: what the session has stays as it is
            return
        gone = sorted(self._asked - self._wanted.keys())
        new = sorted(self._wanted.keys() - self._standing)
        self._refused &= self._wanted.keys()
        self._standing &= self._wanted.keys()
        if self._client is None:
            return
        self._keep(self._asked | self._wanted.keys())
        for some in _packets(gone):
            self._client.unsubscribe(some)
        for some in _packets(new):
            _, mid = self._client.subscribe(
                [(name, self._terms(timed=self._wanted[name])) for name in some]
            )
            if mid is not None:
                self._under_way[mid] = some
        self._refused -= set(new)
        self._keep(set(self._wanted))

    def _terms(self, *, timed: bool) -> Any:
        if self._protocol != mqtt.MQTTv5:
            return 1
        # What is retained and names no instant is of unknown age, so it need not even be sent.
        retained = (
            SubscribeOptions.RETAIN_SEND_IF_NEW_SUB
            if timed
            else SubscribeOptions.RETAIN_DO_NOT_SEND
        )
        return SubscribeOptions(qos=1, retainHandling=retained)

    def _keep(self, names: set[str]) -> None:
        if names != self._asked:
            draft = self._file.with_suffix(".new")
            draft.write_text(json.dumps(sorted(names)))
            draft.replace(self._file)
            self._asked = names


def _packets(names: list[str]) -> list[list[str]]:
    rest = iter(names)
    return list(iter(lambda: list(islice(rest, AT_ONCE)), []))


def _read(file: Path) -> set[str]:
    try:
        return {str(name) for name in json.loads(file.read_text())}
    except FileNotFoundError:
        return set()
    except (ValueError, TypeError):  # a file that was cut short; the worst is one topic too many
        return set()
