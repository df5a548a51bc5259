"""One connection to a broker, driven by the thread that calls: read in bursts, answered in bulk.

paho's own loop waits, reads one message and looks after everything else before it reads the next;
when messages come by the thousand that costs more than the messages do.
"""

from __future__ import annotations

import contextlib
import select
import socket
import threading
from collections import deque
from collections.abc import Callable
from typing import Any, NamedTuple

import paho.mqtt.client as mqtt
from paho.mqtt.enums import CallbackAPIVersion, MQTTErrorCode, MQTTProtocolVersion

__all__ = ["Line", "Message"]

BURST_MOST = 500
"""Messages read before acknowledgements and the keep-alive get their turn."""

LAST_WORD_S = 1.0
"""How long saying goodbye may take."""


class Message(NamedTuple):
    """One message; ``mid`` is the identifier to acknowledge it by."""

    topic: str
    payload: bytes | bytearray
    mid: int
    qos: int
    retained: bool


class _Client(mqtt.Client):
    """paho's client; a message without properties, as nearly all are, costs it nothing for them.

    For each message of MQTT 5 paho first makes tables of all properties there could be, which takes
    longer than all the rest. It hands every message to ``_handle_publish``; a version of it that
    does not would come to ``on_message``, the same but slower.
    """

    arrived: Callable[[Message], None]

    def _handle_publish(self) -> MQTTErrorCode:
        flags, packet = self._in_packet["command"], self._in_packet["packet"]
        # Length of topic, topic, packet identifier; in MQTT 5 the length of properties (3.3.2).
        end = 2 + int.from_bytes(packet[:2], "big")
        start = end + (3 if self._protocol == mqtt.MQTTv5 else 2)
        if (flags & 0x06) != 0x02 or len(packet) < start or any(packet[end + 2 : start]):
            return super()._handle_publish()
        try:
            topic = packet[2:end].decode()
        except UnicodeDecodeError:
            return super()._handle_publish()
        mid = packet[end] << 8 | packet[end + 1]
        self.arrived(Message(topic, packet[start:], mid, 1, bool(flags & 0x01)))
        return MQTTErrorCode.MQTT_ERR_SUCCESS


class Line:
    """A client and what drives it.

    Parameters
    ----------
    protocol : MQTTProtocolVersion
        MQTT 5 or 3.1.1; the session is kept either way.
    arrived : callable
        Told of each message by the thread that drives, as all of the client's callbacks are.
    ended : threading.Event
        Set by whoever wants the connection to end; nothing more is read then.
    """

    def __init__(
        self,
        client_id: str,
        protocol: MQTTProtocolVersion,
        arrived: Callable[[Message], None],
        ended: threading.Event,
    ) -> None:
        self._arrived, self._ended = arrived, ended
        self._came = 0
        self._done: deque[tuple[int, int]] = deque()
        self._bell, self._cord = socket.socketpair()
        self._bell.settimeout(0)
        self._cord.settimeout(0)
        self._rung = False
        self.parting: Any = None
        """Properties to say goodbye with (MQTT 5)."""
        self._driver: int | None = None
        self.client = client = _Client(
            CallbackAPIVersion.VERSION2,
            client_id=client_id,
            clean_session=None if protocol == mqtt.MQTTv5 else False,
            protocol=protocol,
            manual_ack=True,
            reconnect_on_failure=False,
        )
        client.arrived = self._take
        client.on_message = self._on_message
        client.on_socket_open = _send_at_once
        client.on_socket_register_write = self._wants_to_write

    # -- from any thread -------------------------------------------------------------------

    def acknowledge(self, mid: int, qos: int) -> None:
        """Acknowledge a message with the next bulk."""
        self._done.append((mid, qos))
        self.ring()

    def ring(self) -> None:
        """Wake the thread that drives."""
        if not self._rung:
            self._rung = True
            with contextlib.suppress(OSError):  # nobody drives any more
                self._cord.send(b"\0")

    # -- by the thread that drives ---------------------------------------------------------

    def turn(self, wait_s: float) -> None:
        """Wait until there is something to do, and do it; sets ``ended`` where the line is dead."""
        self._driver = threading.get_ident()
        wire = self.client.socket()
        if wire is None:
            self._ended.set()
            return
        ready = self._wait(wire, wait_s)
        if wire in ready:
            self._read()
        if self._bell in ready:
            self._bell.recv(64)
            self._rung = False
        self._write()
        self.client.loop_misc()

    def hang_up(self) -> None:
        """Send what was acknowledged, say goodbye, and close."""
        self._driver = threading.get_ident()
        self._write()
        self.client.disconnect(properties=self.parting)
        wire = self.client.socket()
        if wire is not None:
            with contextlib.suppress(OSError, ValueError):
                poller = select.poll()
                poller.register(wire, select.POLLOUT)
                poller.poll(1000.0 * LAST_WORD_S)
            self.client.loop_write()
        self._bell.close()
        self._cord.close()

    def _wait(self, wire: Any, wait_s: float) -> list[Any]:
        # What TLS has already decrypted is not seen by select.
        if getattr(wire, "pending", int)():
            return [wire, self._bell]
        # Not select(2): where hundreds of databases are open, sockets have numbers beyond its end.
        poller = select.poll()
        poller.register(wire, select.POLLIN | (select.POLLOUT if self.client.want_write() else 0))
        poller.register(self._bell, select.POLLIN)
        told = {number for number, what in poller.poll(1000.0 * wait_s) if what != select.POLLOUT}
        return [one for one in (wire, self._bell) if one.fileno() in told]

    def _read(self) -> None:
        """Read as long as message follows message."""
        for _ in range(BURST_MOST):
            before = self._came
            if self.client.loop_read() or self._came == before or self._ended.is_set():
                return

    def _write(self) -> None:
        while self._done:
            self.client.ack(*self._done.popleft())
        if self.client.want_write():
            self.client.loop_write()

    def _take(self, message: Message) -> None:
        self._came += 1
        self._arrived(message)

    def _on_message(self, _client: mqtt.Client, _data: Any, message: mqtt.MQTTMessage) -> None:
        try:
            topic = message.topic
        except UnicodeDecodeError:
            topic = "boothglass/?/?"  # not even text; decode refuses it by name
        self._take(Message(topic, message.payload, message.mid, message.qos, message.retain))

    def _wants_to_write(self, _client: mqtt.Client, _data: Any, _wire: Any) -> None:
        if threading.get_ident() != self._driver:
            self.ring()


def _send_at_once(_client: mqtt.Client, _data: Any, wire: Any) -> None:
    # An acknowledgement of four bytes would otherwise wait for the answer to the one before.
    if isinstance(wire, socket.socket):
        wire.setsockopt(socket.IPPROTO_TCP, socket.TCP_NODELAY, 1)
