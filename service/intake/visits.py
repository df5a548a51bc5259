"""amqtt with its doors closed: who comes in, as whom, and what is taken from each.

What amqtt leaves open, and is closed here: it ends or takes over the session of a client id before
it has asked for the password; hands will messages on without asking who may send them; sends what
is retained to whoever connects; acknowledges what it then throws away; forgets what it has
acknowledged when its sender leaves; and waits for ever for a visitor to say who it is.
"""

from __future__ import annotations

import asyncio
import contextlib
import logging
import ssl
from collections import Counter
from typing import Any

from amqtt.adapters import StreamWriterAdapter
from amqtt.broker import Broker
from amqtt.contexts import Action
from amqtt.errors import AMQTTError
from amqtt.mqtt.connack import NOT_AUTHORIZED, ConnackPacket
from amqtt.mqtt.protocol.broker_handler import BrokerProtocolHandler
from amqtt.mqtt.publish import PublishPacket
from amqtt.session import Session

from service.intake.keyring import SENSOR_USER, Keyring, Rights, is_loopback
from service.intake.told_off import ToldOff
from service.intake.turnstile import Turnstile
from service.shop.said import say

__all__ = ["GuardedBroker"]

CONNECT_WAIT_S = 10.0
"""How long a visitor may take to say who it is."""

FROM_ONE_ADDRESS = 40
"""Connections from one address of the network; of this machine there is no bound but the total."""

CROWD = 4000
"""Messages on their way to readers at which senders have to wait; MQTT numbers only 65 535."""

UNREAD_MOST = 1000
"""Messages that a reader other than the service may leave unread before it is hung up on."""

LEAVE_WAIT_S = 5.0
LAST_MOMENT_S = 0.05

RIGHTS, MARK = "boothglass.rights", "boothglass.mark"

log = logging.getLogger(__name__)


class _Handler(BrokerProtocolHandler):  # type: ignore[misc]  # amqtt is untyped
    """One connection; ``told_off`` is where refusals are noted."""

    told_off: ToldOff
    unread = 0

    async def handle_publish(self, publish_packet: PublishPacket) -> None:
        """Take a message, or hang up on whoever may not publish it: no acknowledgement, no loss."""
        session, topic = self.session, publish_packet.topic_name
        if session is None:
            return
        if topic is None or not _rights(session).may_publish(topic):
            self.told_off.note(session, say("may not publish to {topic}", topic=str(topic)[:80]))
            await self.handle_connection_closed()
            return
        await super().handle_publish(publish_packet)

    async def mqtt_publish(self, *arguments: Any, **named: Any) -> Any:
        """Hand a message on; a reader that does not read must not become a store of messages."""
        session = self.session
        if session is not None and self.unread > UNREAD_MOST and not _rights(session).all:
            self.told_off.note(session, say("does not read what it has subscribed to"))
            await self.handle_connection_closed()
            return None
        self.unread += 1
        try:
            return await super().mqtt_publish(*arguments, **named)
        finally:
            self.unread -= 1


class GuardedBroker(Broker):  # type: ignore[misc]  # amqtt is untyped
    """An amqtt broker that asks a :class:`Keyring` about everybody and everything.

    ``tls`` serves the listeners that are to speak it.
    """

    def __init__(
        self,
        config: dict[str, object],
        keyring: Keyring,
        told_off: ToldOff,
        *,
        tls: ssl.SSLContext | None = None,
        **named: Any,
    ) -> None:
        super().__init__(config, **named)
        self.keyring, self.told_off, self._tls = keyring, told_off, tls
        self._from: Counter[str] = Counter()
        self._writers: set[asyncio.StreamWriter] = set()

    # -- who comes in ----------------------------------------------------------------------

    async def stream_connected(
        self, reader: asyncio.StreamReader, writer: asyncio.StreamWriter, listener_name: str
    ) -> None:
        """Serve one visitor to the end, and leave no open socket behind."""
        peer = writer.get_extra_info("peername") or ("?",)
        address = str(peer[0])
        if self._from[address] >= FROM_ONE_ADDRESS and not is_loopback(address):
            self.told_off.note_visitor(
                address, None, say("has more than {most} connections", most=FROM_ONE_ADDRESS)
            )
            writer.close()
            return
        self._from[address] += 1
        self._writers.add(writer)
        try:
            turnstile = Turnstile(reader, self._crowded)
            await self._client_connected(listener_name, turnstile, StreamWriterAdapter(writer))
        finally:
            self._writers.discard(writer)
            self._from[address] -= 1
            if not self._from[address]:
                del self._from[address]
            writer.close()

    async def leave_nobody(self) -> None:
        """Close what is still open at the end; asyncio needs a moment for it, TLS two."""
        for writer in list(self._writers):
            writer.transport.abort()
        await asyncio.sleep(LAST_MOMENT_S)

    def _create_ssl_context(self, _listener: object) -> ssl.SSLContext:
        if self._tls is None:
            raise AMQTTError("no certificate")
        return self._tls

    async def _initialize_client_session(
        self, reader: Turnstile, writer: Any, remote_address: str, _remote_port: int
    ) -> tuple[_Handler, Session]:
        """Ask a visitor who it is, and only then look for its session."""
        try:
            async with asyncio.timeout(CONNECT_WAIT_S):
                handler, visitor = await _Handler.init_from_connect(
                    reader, writer, self.plugins_manager
                )
        except Exception as error:
            if reader.why is not None:
                self.told_off.note_visitor(remote_address, None, reader.why)
            raise AMQTTError(str(error)) from error
        rights = self.keyring.rights(visitor.username, visitor.password, remote_address)
        if rights is None:
            self.told_off.note(visitor, _stranger(visitor))
            with contextlib.suppress(OSError):
                await ConnackPacket.build(0, NOT_AUTHORIZED).to_stream(writer)
                await writer.close()
            raise AMQTTError("user or password is not known")
        handler.told_off = self.told_off
        reader.trusted = rights.all
        reader.paced = not (rights.shared and is_loopback(remote_address))
        visitor.password = None
        visitor.client_id = rights.name if rights.alone else f"{rights.name}/{visitor.client_id}"
        visitor.attributes[RIGHTS] = rights
        visitor.attributes[MARK] = self.keyring.mark(visitor.username)
        if visitor.will_flag and not _possible_will(visitor, rights):
            self.told_off.note(visitor, _no_will(visitor))
            visitor.will_flag = False
        return handler, await self._session_of(visitor)

    async def _session_of(self, visitor: Session) -> Session:
        """Return the session that a visitor goes on with, or begins."""
        known, handler = self._sessions.get(visitor.client_id, (None, None))
        if known is not None and known.transitions.is_connected():
            await self._send_away(known, handler)
        visitor.parent = 0
        if known is None or visitor.clean_session:
            await self._delete_session(visitor.client_id)
            return visitor
        for name in (
            "clean_session", "username", "keep_alive", "remote_address", "remote_port",
            "will_flag", "will_topic", "will_message", "will_qos", "will_retain",
        ):  # fmt: skip
            setattr(known, name, getattr(visitor, name))
        known.attributes.update(visitor.attributes)
        known.parent = 1
        return known

    async def _send_away(self, session: Session, handler: BrokerProtocolHandler) -> None:
        """Hang up on a connection, and wait until it has said its last word."""
        await handler.handle_connection_closed()
        await handler.stop()
        with contextlib.suppress(TimeoutError):
            async with asyncio.timeout(LEAVE_WAIT_S):
                while session.transitions.is_connected():  # noqa: ASYNC110 -- amqtt has no event for it
                    await asyncio.sleep(0.01)

    async def _authenticate(self, session: Session, _: Any) -> bool:
        """Nobody without rights comes so far."""
        return RIGHTS in session.attributes

    def look_again(self) -> None:
        """Hang up on whoever came in by a key that is no more; to be called in the loop."""
        for session, handler in list(self._sessions.values()):
            gone = self.keyring.mark(session.username) != session.attributes.get(MARK)
            if _rights(session).alone and gone and session.transitions.is_connected():
                leaving = asyncio.ensure_future(self._send_away(session, handler))
                leaving.add_done_callback(lambda _: None)

    # -- what each may do ------------------------------------------------------------------

    async def _topic_filtering(self, session: Session, topic: str, action: Action) -> bool:
        rights = _rights(session)
        if action == Action.PUBLISH:
            return rights.may_publish(topic)
        return rights.may_read(topic) if action == Action.RECEIVE else rights.may_subscribe(topic)

    async def _publish_retained_messages_for_subscription(
        self, subscription: tuple[str, int], session: Session
    ) -> None:
        """Send what is retained to those who have subscribed to it, and to nobody else."""
        holders = self._subscriptions.get(subscription[0], [])
        if any(holder.client_id == session.client_id for holder, _ in holders):
            await super()._publish_retained_messages_for_subscription(subscription, session)

    async def _client_message_loop(self, client_session: Session, handler: _Handler) -> None:
        """Serve a visitor until it leaves, or has to."""
        await super()._client_message_loop(client_session, handler)
        if client_session.transitions.is_connected() and self._get_handler(client_session) in {
            handler,
            None,
        }:
            await self._stop_handler(handler)
            client_session.transitions.disconnect()

    async def _handle_disconnect(
        self, client_session: Session, handler: _Handler, disconnect_waiter: Any
    ) -> None:
        """Hand on what was acknowledged before its sender is forgotten."""
        waiting = client_session.delivered_message_queue
        while not waiting.empty():
            ready: asyncio.Future[Any] = asyncio.get_running_loop().create_future()
            ready.set_result(waiting.get_nowait())
            if not await self._handle_message_delivery(client_session, handler, ready):
                break
        await super()._handle_disconnect(client_session, handler, disconnect_waiter)

    def _crowded(self) -> bool:
        return len(self._tasks_queue) + int(self._broadcast_queue.qsize()) > CROWD


def _rights(session: Session) -> Rights:
    found: Rights = session.attributes.get(RIGHTS) or Rights("nobody")
    return found


def _stranger(visitor: Session) -> str:
    if visitor.username == SENSOR_USER and not is_loopback(visitor.remote_address):
        return say("uses the password of this machine's own tools: give it one of its own")
    return say("gives a user or a password that is not known here")


def _no_will(visitor: Session) -> str:
    return say("may not leave a message for {topic}", topic=str(visitor.will_topic)[:80])


def _possible_will(visitor: Session, rights: Rights) -> bool:
    topic = visitor.will_topic or ""
    if not topic or topic.startswith("$") or "+" in topic or "#" in topic:
        return False
    return rights.may_publish(topic)
