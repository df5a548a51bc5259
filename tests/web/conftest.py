"""Shops for the web tests: a fresh one a test, or one that a module only reads from."""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path

import pytest
from shopkit import LiveShop, live_shop


@pytest.fixture
def shop(tmp_path: Path) -> Iterator[LiveShop]:
    """An empty shop, served."""
    with live_shop(tmp_path) as made:
        yield made


@pytest.fixture(scope="module")
def dry_shop(tmp_path_factory: pytest.TempPathFactory) -> Iterator[LiveShop]:
    """A shop with a day of dry air in its booth, read from only."""
    with live_shop(tmp_path_factory.mktemp("shop")) as made:
        made.read_day("booth", 22.0, 40.0)
        yield made
