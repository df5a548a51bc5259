"""Servers that take messages, and the certificates by which they are known."""

from __future__ import annotations

import ssl
from collections.abc import Iterator
from dataclasses import dataclass

import pytest
import trustme
from counterparts import Answering, answering


@dataclass(frozen=True)
class Certified:
    """One side's view each of an authority that only these tests know."""

    server: ssl.SSLContext
    client: ssl.SSLContext


@pytest.fixture(scope="session")
def certified() -> Certified:
    authority = trustme.CA()
    server = ssl.SSLContext(ssl.PROTOCOL_TLS_SERVER)
    authority.issue_cert("localhost").configure_cert(server)
    client = ssl.create_default_context()
    authority.configure_trust(client)
    return Certified(server, client)


@pytest.fixture
def receiver() -> Iterator[Answering]:
    """A receiver without TLS."""
    with answering() as made:
        yield made


@pytest.fixture
def secure_receiver(certified: Certified) -> Iterator[Answering]:
    """A receiver with TLS, whose certificate is for ``localhost``."""
    with answering(certified.server) as made:
        yield made
