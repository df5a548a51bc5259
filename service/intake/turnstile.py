"""One packet after the other, none too large, none too soon: what a visitor's bytes pass first.

amqtt reads whatever a packet's header announces, up to 256 MB, as fast as it comes, and keeps what
it cannot hand on in memory. Here a packet that is too large is refused by its header, before any of
it is read; and a visitor who sends faster than a sensor can is simply read more slowly, so that TCP
holds it back and nobody else waits behind it.
"""

from __future__ import annotations

import asyncio
import time
from collections.abc import Callable

from amqtt.adapters import StreamReaderAdapter

from sensors.payloads import MAX_PAYLOAD_BYTES
from service.shop.said import say

__all__ = ["BURST", "LARGEST_BYTES", "MOST_PER_S", "Refused", "Turnstile"]

LARGEST_BYTES = MAX_PAYLOAD_BYTES + 4096
"""Largest packet: a payload that can be used, its topic, and a little more."""

MOST_PER_S = 100.0
BURST = 3000.0
"""A sensor that was out of reach for a day sends 2880 readings at once; then 100 a second."""

PACKET_COSTS_BYTES = 1024
"""A packet of this size counts as two."""

CROWD_WAIT_S = 0.02
LENGTH_BYTES = 4
"""Most bytes that tell a packet's length (MQTT 3.1.1, section 2.2.3)."""

FIXED_LENGTHS = {4: 2, 5: 2, 6: 2, 7: 2, 12: 0, 14: 0}
"""Packets that are always as long (MQTT 3.1.1, sections 3.4 to 3.7, 3.12 and 3.14). A longer one
would carry others in it, which amqtt takes for packets of their own."""


class Refused(Exception):  # noqa: N818 -- reads as what it says
    """A packet that is not taken, and why; the visitor is hung up on."""


class Turnstile(StreamReaderAdapter):  # type: ignore[misc]  # amqtt is untyped
    """Reads one visitor's packets, each as a whole.

    Parameters
    ----------
    reader : asyncio.StreamReader
        The visitor's bytes.
    crowded : callable
        Whether so much waits to be handed on that visitors have to wait.
    """

    def __init__(self, reader: asyncio.StreamReader, crowded: Callable[[], bool]) -> None:
        super().__init__(reader)
        self.paced = True
        """Whether there is a bound to its rate; none for this machine's own tools."""
        self.trusted = False
        """Whether it is the service itself, which must never wait for others."""
        self.why: str | None = None
        """Why a packet was refused."""
        self._crowded = crowded
        self._credit, self._counted_at = BURST, time.monotonic()
        self._head = b""
        self._packet, self._at = b"", 0

    async def read(self, n: int = -1) -> bytes:
        """Read ``n`` bytes of the packet under way, or of the next one when its turn comes."""
        if self._at >= len(self._packet):
            await self._turn()
            self._packet, self._at = await self._next(), 0
        if n < 0 or self._at + n > len(self._packet):
            raise self._refused(say("sends what is no MQTT"))
        found = self._packet[self._at : self._at + n]
        self._at += n
        return found

    async def _next(self) -> bytes:
        """Read a packet as a whole: a kind, a length of one to four bytes, and so many bytes.

        Whoever waits may give up in between and ask again; nothing is lost by it.
        """
        while (length := _announced(self._head)) is None:
            if len(self._head) > LENGTH_BYTES:
                raise self._refused(say("sends what is no MQTT"))
            self._head += await self._reader.readexactly(1)
        if length > LARGEST_BYTES and not self.trusted:
            raise self._refused(
                say("sends {size} bytes at once; {most} at most", size=length, most=LARGEST_BYTES)
            )
        if length != FIXED_LENGTHS.get(self._head[0] >> 4, length):
            raise self._refused(say("sends what is no MQTT"))
        packet = self._head + await self._reader.readexactly(length)
        self._head = b""
        self._credit -= 1.0 + length / PACKET_COSTS_BYTES
        return bytes(packet)

    async def _turn(self) -> None:
        """Wait until this visitor may send its next packet."""
        while not self.trusted and self._crowded():  # noqa: ASYNC110 -- amqtt has no event for it
            await asyncio.sleep(CROWD_WAIT_S)
        while not self.trusted and self.paced:
            now = time.monotonic()
            self._credit = min(BURST, self._credit + (now - self._counted_at) * MOST_PER_S)
            self._counted_at = now
            if self._credit >= 1.0:
                return
            await asyncio.sleep((1.0 - self._credit) / MOST_PER_S)

    def _refused(self, why: str) -> Refused:
        self.why = why
        return Refused(why)


def _announced(head: bytes) -> int | None:
    """Return the length that a packet's header announces; None where more of it has to come."""
    if len(head) < 2 or head[-1] & 0x80:
        return None
    return sum((byte & 0x7F) << (7 * place) for place, byte in enumerate(head[1:]))
