"""What workers of many shops tell each other is read and said by them alone."""

from __future__ import annotations

import time
from collections.abc import Iterator
from pathlib import Path
from queue import Empty, Queue
from typing import Any

import databases
import psycopg
import pytest
from databases import Hosting
from equipment import eventually

from service.store.shops_on_server import ShopsOnServer
from service.store.wire import MOST_BYTES, Seal, Wire, announce, plain_address

Heard = Queue[tuple[str, str, dict[str, Any]]]
SAID = {"text": "No. 41 is ready", "place": "booth"}


@pytest.fixture(scope="module")
def hosting() -> Hosting:
    return databases.hosting("wired", "a", "b")


@pytest.fixture
def shops(hosting: Hosting, tmp_path: Path) -> Iterator[ShopsOnServer]:
    made = hosting.shops(tmp_path)
    yield made
    made.dispose()


@pytest.fixture
def heard() -> Heard:
    return Queue()


@pytest.fixture
def wires(hosting: Hosting, shops: ShopsOnServer, heard: Heard) -> Iterator[tuple[Wire, Wire]]:
    def hear(*told: Any) -> None:
        heard.put(told)

    one, other = (
        Wire(hosting.host_url, what, lambda: None, shops.seal) for what in (hear, lambda *_: None)
    )
    for wire in (one, other):
        wire.start()
    eventually(lambda: one.hears and other.hears)
    yield one, other
    for wire in (one, other):
        wire.stop()


@pytest.fixture
def smuggler(hosting: Hosting) -> Iterator[psycopg.Connection[Any]]:
    """Somebody who runs statements of their own as the host's role, and listens."""
    with psycopg.connect(plain_address(hosting.host_url), autocommit=True) as connection:
        connection.execute("LISTEN boothglass")
        yield connection


def test_workers_hear_each_other_and_whoever_listens_besides_learns_nothing(
    wires: tuple[Wire, Wire], heard: Heard, shops: ShopsOnServer, smuggler: psycopg.Connection[Any]
) -> None:
    wires[1].tell("a", "notice", SAID)
    assert heard.get(timeout=10) == ("a", "notice", SAID)
    database = shops.open("a")
    database.shared_as = "a"
    with database.write() as session:
        announce(session, "settled", place="booth")
    assert heard.get(timeout=10) == ("a", "settled", {"place": "booth"})
    overheard = [told.payload for told in smuggler.notifies(timeout=10, stop_after=2)]
    assert len(overheard) == 2
    for word in ("notice", "settled", "booth", "41", '"a"'):
        assert word not in "".join(overheard)


def test_what_others_say_is_not_believed(
    wires: tuple[Wire, Wire],
    heard: Heard,
    hosting: Hosting,
    smuggler: psycopg.Connection[Any],
) -> None:
    plain = '{"by": "x", "shop": "a", "event": "notice", "data": {}}'
    old = Seal(bytes.fromhex(hosting.secret))._fernet.encrypt_at_time(
        plain.encode(), int(time.time()) - Seal.LIVES_S - 1
    )
    other = Seal(b"another secret").close(plain)
    for forged in (plain, "", "x" * 7999, other, old.decode()):
        smuggler.execute("SELECT pg_notify('boothglass', %s)", (forged,))
    wires[1].tell("a", "after", {})
    assert heard.get(timeout=10) == ("a", "after", {})
    with pytest.raises(Empty):
        heard.get(timeout=0.2)


def test_the_longest_message_goes_through_sealed(wires: tuple[Wire, Wire], heard: Heard) -> None:
    for length in (MOST_BYTES - 200, MOST_BYTES + 1):
        wires[1].tell("a", "notice", {"text": "x" * length})
    assert heard.get(timeout=10) == ("a", "notice", {"text": "x" * (MOST_BYTES - 200)})
    assert heard.get(timeout=10) == ("a", "everything", {})
