"""The subscription: kept up for ever, acknowledging nothing by itself.

Every attempt makes a client of its own under the kept client id. The broker holds the session, so
an acknowledgement that belongs to a lost connection can never reach a later one by mistake.

MQTT 5 is asked for first, because it lets us say how many messages may be under way; a broker that
does not know it is met with 3.1.1 at the next attempt.
"""

from __future__ import annotations

import logging
import random
import secrets
import threading
import time
from collections.abc import Callable
from functools import partial
from pathlib import Path
from typing import Any

import paho.mqtt.client as mqtt
from paho.mqtt.enums import MQTTProtocolVersion
from paho.mqtt.packettypes import PacketTypes
from paho.mqtt.properties import Properties
from paho.mqtt.reasoncodes import ReasonCode
from paho.mqtt.subscribeoptions import SubscribeOptions

from sensors.payloads import MAX_PAYLOAD_BYTES, TOPIC_ROOT, is_own
from service.clock import Clock
from service.intake.arrivals import Arrival
from service.intake.filters import Filters
from service.intake.line import Line, Message
from service.intake.terms import Terms
from service.settings import MqttAddress

__all__ = ["UNDER_WAY_MOST", "USUAL_WINDOW", "Connection"]

UNDER_WAY_MOST = 1000
"""Unacknowledged messages the broker may send ahead (MQTT 5); with their size, our memory."""

USUAL_WINDOW = 20
"""What a broker sends ahead to a client that cannot name a number (MQTT 3.1.1): Mosquitto's."""

FIRST_BACK_OFF_S, LONGEST_BACK_OFF_S = 0.5, 30.0
LONGEST_SHARED_S = 1.0
"""The same where the subscription is shared: Mosquitto 2.0.11 forgets it when it starts anew, and
hands to nobody what comes before it is asked for again."""
KEEPALIVE_S = 30
ANSWER_WAIT_S = 5.0
"""How long a broker may take to say whether we may come in."""
TURN_S = 1.0
ROOM_WAIT_S = 20.0
"""How long to wait for room before hanging up; a broker allows 1.5 times the keep-alive."""
NEVER = 0xFFFFFFFF
"""Session expiry that MQTT 5 defines as never (section 3.1.2.11.2)."""

log = logging.getLogger(__name__)


class Connection:
    """Keeps one subscription, and the :class:`Filters` beside it.

    Parameters
    ----------
    address : MqttAddress
        The broker. The user must be allowed to read and write ``boothglass/#``.
    terms : Terms
        The session and what it is subscribed to.
    filters_file : Path
        Keeps which further filters the session has.
    offer : callable
        Takes an :class:`Arrival` and the seconds to wait for room; False where there was none.
    mqtt5 : bool
        Ask for MQTT 5 first; else for 3.1.1.
    usual_window : int
        Unacknowledged messages that the broker sends ahead where MQTT 3.1.1 is spoken.
    spare : callable
        Whether readings that come to a session that guards come to somebody else as well.
    """

    def __init__(
        self,
        address: MqttAddress,
        terms: Terms,
        filters_file: Path,
        clock: Clock,
        offer: Callable[[Arrival, float], bool],
        *,
        mqtt5: bool = True,
        usual_window: int = USUAL_WINDOW,
        spare: Callable[[], bool] = lambda: False,
    ) -> None:
        self._spare = spare
        self.connected_since: float | None = None
        """By a clock that never jumps; None: the subscription does not stand."""
        self._usual_window = usual_window
        self.filters = Filters(filters_file)
        self.reconnects = 0
        self.restarts = 0
        self.dropped = 0
        self.problem: str | None = "not connected yet"
        self._address, self._clock, self._offer = address, clock, offer
        self._session = terms
        self._protocol = mqtt.MQTTv5 if mqtt5 or terms.shared else mqtt.MQTTv311
        self._stopping = threading.Event()
        self._ended = threading.Event()
        self._subscribed = threading.Event()
        self._line: Line | None = None
        self._answered = threading.Event()
        self._own_subscription: int | None = None
        self._live = False
        self._offered, self._acknowledged = 0, 0
        self._marker = b""
        self._thread = threading.Thread(target=self._keep_up, name="intake-mqtt", daemon=True)

    # -- life ------------------------------------------------------------------------------

    def start(self) -> None:
        """Connect in the background; an absent broker is tried again for ever."""
        self._thread.start()

    def stop(self) -> None:
        """Disconnect; what is unacknowledged stays at the broker."""
        self._stopping.set()
        self._ended.set()
        line = self._line
        if line is not None:
            line.ring()
        if self._thread.is_alive():
            self._thread.join(timeout=10)

    @property
    def connected(self) -> bool:
        """Whether the subscription stands."""
        return self._subscribed.is_set()

    @property
    def window(self) -> int:
        """How many unacknowledged messages the broker sends ahead."""
        return UNDER_WAY_MOST if self._protocol == mqtt.MQTTv5 else self._usual_window

    @property
    def idle(self) -> bool:
        """Whether all that had waited at the broker has come, and each of it is acknowledged."""
        return self.connected and self._live and self._offered == self._acknowledged

    def end_session(self) -> None:
        """Disconnect for good: the broker forgets the session and whatever waits in it."""
        line = self._line
        if line is not None and self._protocol == mqtt.MQTTv5:
            line.parting = Properties(PacketTypes.DISCONNECT)  # type: ignore[no-untyped-call]  # paho leaves it untyped
            line.parting.SessionExpiryInterval = 0
        self.stop()

    def wait_connected(self, timeout_s: float) -> bool:
        """Wait until the subscription stands."""
        return self._subscribed.wait(timeout_s)

    def doubt(self) -> None:
        """Take what comes from here on as having waited, until a mark sent now comes back.

        The broker hands messages on in order, so behind the mark lies only what is new.
        """
        self._live = False
        self._marker = secrets.token_hex(8).encode()
        line = self._line
        if line is not None and self.connected:
            line.client.publish(self._session.marker, self._marker, qos=1)

    def start_anew(self) -> None:
        """Hang up and connect again: the broker sends once more what is unacknowledged."""
        self._ended.set()
        line = self._line
        if line is not None:
            line.ring()

    # -- attempts --------------------------------------------------------------------------

    def _keep_up(self) -> None:
        delay_s = FIRST_BACK_OFF_S
        while not self._stopping.is_set():
            try:
                if self._one_connection():
                    delay_s = FIRST_BACK_OFF_S
            except OSError as error:
                self.problem = f"{self._address!r} does not answer: {error}"
            except Exception as error:
                self.restarts += 1
                self.problem = f"{type(error).__name__}: {error}"
                log.exception("intake connection starts anew")
            # Jitter keeps many shops from storming a broker that comes back.
            self._stopping.wait(delay_s * random.uniform(0.5, 1.0))  # noqa: S311
            longest_s = LONGEST_SHARED_S if self._session.shared else LONGEST_BACK_OFF_S
            delay_s = min(2 * delay_s, longest_s)

    def _one_connection(self) -> bool:
        """Connect, stay until the connection ends, and say whether the subscription stood."""
        self._ended.clear()
        self._answered.clear()
        self._offered = self._acknowledged = 0  # whatever is not, is sent once more
        line = self._make_line()
        try:
            line.client.connect(
                self._address.host, self._address.port, KEEPALIVE_S, **self._terms()
            )
            self._line = line
            self._drive(line)
        finally:
            stood = self._subscribed.is_set()
            self._subscribed.clear()
            self.connected_since = None
            self._line = None
            self.filters.disconnected()
            line.hang_up()
        if not self._answered.is_set():
            # Some brokers hang up on a protocol they do not know, or wait for what never comes.
            self._protocol = self._other_protocol()
        return stood

    def _drive(self, line: Line) -> None:
        give_up_at = time.monotonic() + ANSWER_WAIT_S
        while not self._ended.is_set():
            line.turn(TURN_S)
            if not self._answered.is_set() and time.monotonic() > give_up_at:
                self.problem = f"{self._address!r} does not say whether we may come in"
                return

    def _make_line(self) -> Line:
        arrived = self._guarded(self._on_arrived)
        line = Line(self._session.client_id, self._protocol, arrived, self._ended)
        client = line.client
        if self._address.user is not None:
            client.username_pw_set(self._address.user, self._address.password)
        if self._address.tls:
            client.tls_set(self._address.ca)
        client.on_connect = self._guarded(self._on_connect)
        client.on_subscribe = self._guarded(self._on_subscribe)
        client.on_disconnect = self._on_disconnect
        return line

    def _terms(self) -> dict[str, Any]:
        if self._protocol != mqtt.MQTTv5:
            return {}
        properties = Properties(PacketTypes.CONNECT)  # type: ignore[no-untyped-call]  # paho leaves it untyped
        properties.SessionExpiryInterval = NEVER
        properties.ReceiveMaximum = UNDER_WAY_MOST
        return {"clean_start": False, "properties": properties}

    def _other_protocol(self) -> MQTTProtocolVersion:
        # A subscription that is shared is one of MQTT 5.
        older = self._protocol == mqtt.MQTTv5 and not self._session.shared
        return mqtt.MQTTv311 if older else mqtt.MQTTv5

    # -- called by the client's network thread ---------------------------------------------

    def _guarded(self, callback: Callable[..., None]) -> Callable[..., None]:
        """Wrap a callback: an error in it would end paho's thread without a word."""

        def guarded(*arguments: Any) -> None:
            try:
                callback(*arguments)
            except Exception as error:
                self.restarts += 1
                self.problem = f"{type(error).__name__}: {error}"
                log.exception("intake callback failed")
                self._ended.set()

        return guarded

    def _on_connect(
        self,
        client: mqtt.Client,
        _data: Any,
        flags: mqtt.ConnectFlags,
        reason: ReasonCode,
        _properties: Properties | None,
    ) -> None:
        self._answered.set()
        if reason.is_failure:
            self.problem = f"{self._address!r} refuses: {reason}"
            if "protocol" in str(reason).lower():
                self._protocol = self._other_protocol()
            self._ended.set()
            return
        # Without a session nothing can have waited but retained messages, and those say so.
        self._live = not flags.session_present
        for gone in self._session.gone:
            client.unsubscribe(gone)
        # What is retained is sent once, not again at every reconnection.
        options: Any = (
            SubscribeOptions(qos=1, retainHandling=SubscribeOptions.RETAIN_SEND_IF_NEW_SUB)
            if self._protocol == mqtt.MQTTv5
            else 1
        )
        topics = [(topic, options) for topic in self._session.topics]
        _, self._own_subscription = client.subscribe(topics)
        self.filters.connected(client, self._protocol, session_present=flags.session_present)

    def _on_subscribe(
        self,
        _client: mqtt.Client,
        _data: Any,
        mid: int,
        reasons: list[ReasonCode],
        _properties: Properties | None,
    ) -> None:
        if mid != self._own_subscription:
            self.filters.answered(mid, reasons)
            return
        if any(reason.is_failure for reason in reasons):
            refused = ", ".join(self._session.topics)
            self.problem = f"{self._address!r} refuses the subscription {refused}"
            self._ended.set()
            return
        self.problem = None
        self.connected_since = time.monotonic()
        self._subscribed.set()
        if not self._live:
            self.doubt()

    def _on_disconnect(
        self,
        _client: mqtt.Client,
        _data: Any,
        _flags: mqtt.DisconnectFlags,
        reason: ReasonCode,
        _properties: Properties | None,
    ) -> None:
        if self._subscribed.is_set() and not self._stopping.is_set():
            self.reconnects += 1
            self.problem = f"connection to {self._address!r} lost: {reason}"
        self._ended.set()

    def _on_arrived(self, message: Message) -> None:
        line = self._line
        if line is None:
            return
        topic, payload, mid, qos, retained = message
        inner = self._session.inner(topic)
        if is_own(inner):
            if topic == self._session.marker and payload == self._marker:
                self._live = True
            line.acknowledge(mid, qos)
            return
        guarded = self._session.guards and inner.startswith(f"{TOPIC_ROOT}/")
        if guarded and self._live and not retained and self._spare():
            line.acknowledge(mid, qos)
            return
        arrival = Arrival(
            topic=topic,
            payload=bytes(payload[:MAX_PAYLOAD_BYTES]),
            size_bytes=len(payload),
            received_at=self._clock.now(),
            waited=retained or not self._live,
            acknowledge=partial(self._acknowledge, line, mid, qos),
        )
        self._offered += 1
        if self._offer(arrival, 0.0):
            return
        if qos == 0:
            self._offered -= 1
            self.dropped += 1
        elif self._offer(arrival, ROOM_WAIT_S):
            # While this one waited, others waited behind it.
            self.doubt()
        else:
            # Hang up: the broker keeps what is unacknowledged and sends it again.
            self.problem = "readings come faster than they can be kept"
            self._ended.set()

    def _acknowledge(self, line: Line, mid: int, qos: int) -> None:
        line.acknowledge(mid, qos)
        if line is self._line:
            self._acknowledged += 1
