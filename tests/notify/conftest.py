"""Servers that take messages, and the certificates by which they are known."""

from __future__ import annotations

from collections.abc import Iterator

import pytest
from counterparts import Answering, Certified, answering, certificates


@pytest.fixture(scope="session")
def certified() -> Certified:
    return certificates()


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
