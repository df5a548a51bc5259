"""Equipment that more than one room's tests use."""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path

import databases
import pytest
from equipment import Mosquitto, SetClock
from hypothesis import settings

from service.store.db import Database

# Property tests draw the same examples each time, however busy the machine.
settings.register_profile("steady", deadline=None, derandomize=True)
settings.load_profile("steady")


def pytest_collection_modifyitems(items: list[pytest.Item]) -> None:
    """Begin with the files that hold slow tests: at the end nobody waits for one of them alone."""
    slow = {item.path for item in items if item.get_closest_marker("slow")}
    items.sort(key=lambda item: item.path not in slow)


@pytest.fixture(autouse=True)
def _databases_end_with_their_test() -> Iterator[None]:
    """Those of a module's fixtures, which are made before, stay."""
    with databases.ended():
        yield


@pytest.fixture
def clock() -> SetClock:
    """A clock that stands at 2026-03-02 09:00 UTC until it is moved."""
    return SetClock()


@pytest.fixture
def data_folder(tmp_path: Path) -> Path:
    """An empty folder for everything kept."""
    folder = tmp_path / "data"
    folder.mkdir()
    return folder


@pytest.fixture
def database(data_folder: Path) -> Iterator[Database]:
    """A database with all tables, of the data folder."""
    made = Database(databases.fresh(data_folder))
    yield made
    made.dispose()


@pytest.fixture
def mosquitto(tmp_path: Path) -> Iterator[Mosquitto]:
    """A running Mosquitto with a password, on a free port; its queues are kept over a restart."""
    broker = Mosquitto(tmp_path / "mosquitto")
    broker.start()
    yield broker
    broker.stop()
