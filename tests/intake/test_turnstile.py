"""Packets pass one by one: what is too large or no MQTT is refused by its header."""

from __future__ import annotations

import asyncio

import pytest
from equipment import in_a_loop

from service.intake.turnstile import BURST, LARGEST_BYTES, Refused, Turnstile


def length_bytes(length: int) -> bytes:
    """A remaining length as MQTT 3.1.1 writes it, section 2.2.3."""
    out = b""
    while True:
        length, byte = divmod(length, 128)
        out += bytes([byte | (0x80 if length else 0)])
        if not length:
            return out


def passed(*fed: bytes, reads: int = 1, trusted: bool = False) -> bytes:
    """What comes through of bytes after which nothing more comes, and nobody hangs up."""

    async def run() -> bytes:
        reader = asyncio.StreamReader()
        for some in fed:
            reader.feed_data(some)
        turnstile = Turnstile(reader, lambda: False)
        turnstile.trusted = trusted
        async with asyncio.timeout(5):
            return b"".join([await turnstile.read(1) for _ in range(reads)])

    return in_a_loop(run())


@pytest.mark.parametrize("length", [LARGEST_BYTES + 1, 1_000_000, 268_435_455])
def test_too_large_a_packet_is_refused_before_any_of_it_has_come(length: int) -> None:
    with pytest.raises(Refused, match=f"sends {length} bytes"):
        passed(b"\x32" + length_bytes(length))


def test_of_the_service_itself_any_size_is_taken() -> None:
    body = bytes(LARGEST_BYTES + 10)
    assert passed(b"\x32" + length_bytes(len(body)), body, trusted=True) == b"\x32"


@pytest.mark.parametrize("length", [0, 1, 127, 128, 16_383, 16_384, LARGEST_BYTES])
def test_a_packet_of_any_possible_length_comes_through_whole(length: int) -> None:
    packet = b"\x32" + length_bytes(length) + bytes(n % 251 for n in range(length))
    assert passed(packet, b"\xc0\x00", reads=len(packet) + 2) == packet + b"\xc0\x00"


@pytest.mark.parametrize(
    "packet",
    [
        b"\x32\xff\xff\xff\xff\x7f",  # a length of five bytes
        b"\xc0\x02\x30\x00",  # a ping with something in it
        b"\xe0\x01x",
        b"\x40\x03\x00\x01\x00",
    ],
)
def test_what_is_no_mqtt_is_refused(packet: bytes) -> None:
    with pytest.raises(Refused, match="no MQTT"):
        passed(packet)


def test_nobody_reads_beyond_a_packet() -> None:
    async def run() -> None:
        reader = asyncio.StreamReader()
        reader.feed_data(b"\x30\x02ab\xc0\x00")
        turnstile = Turnstile(reader, lambda: False)
        assert await turnstile.read(2) == b"\x30\x02"
        for wanted in (3, -1):
            with pytest.raises(Refused):
                await turnstile.read(wanted)

    in_a_loop(run())


def test_a_packet_that_comes_in_pieces_survives_impatience() -> None:
    """amqtt gives up waiting after the keep-alive, and asks again."""

    async def run() -> None:
        reader = asyncio.StreamReader()
        turnstile = Turnstile(reader, lambda: False)
        packet = b"\x30\x81\x01" + bytes(129)
        for some in (packet[:1], packet[1:2], packet[2:50]):
            reader.feed_data(some)
            with pytest.raises(TimeoutError):
                await asyncio.wait_for(turnstile.read(1), 0.01)
        reader.feed_data(packet[50:])
        assert await turnstile.read(len(packet)) == packet

    in_a_loop(run())


class Held(Exception):  # noqa: N818 -- reads as what it says
    """A visitor has to wait."""


@pytest.fixture
def standing_still(monkeypatch) -> None:
    """Time stands still, and whoever would have to wait is told so."""

    async def sleep(_seconds: float) -> None:
        raise Held

    monkeypatch.setattr("service.intake.turnstile.time.monotonic", lambda: 100.0)
    monkeypatch.setattr("service.intake.turnstile.asyncio.sleep", sleep)


@pytest.mark.parametrize(("paced", "most"), [(True, BURST), (False, 2 * BURST)])
def test_after_a_burst_a_visitor_has_to_wait_and_this_machines_tools_have_not(
    standing_still, paced: bool, most: float
) -> None:
    async def run() -> int:
        reader = asyncio.StreamReader(limit=2**30)
        reader.feed_data(b"\xc0\x00" * round(2 * BURST))
        turnstile = Turnstile(reader, lambda: False)
        turnstile.paced = paced
        for came in range(round(2 * BURST)):
            try:
                await turnstile.read(2)
            except Held:
                return came
        return round(2 * BURST)

    assert in_a_loop(run()) == most


def test_where_much_waits_to_be_handed_on_all_have_to_wait_but_the_service(standing_still) -> None:
    async def run(*, trusted: bool) -> bytes:
        reader = asyncio.StreamReader()
        reader.feed_data(b"\xc0\x00")
        turnstile = Turnstile(reader, lambda: True)
        turnstile.trusted, turnstile.paced = trusted, False
        return await turnstile.read(2)

    with pytest.raises(Held):
        in_a_loop(run(trusted=False))
    assert in_a_loop(run(trusted=True)) == b"\xc0\x00"
