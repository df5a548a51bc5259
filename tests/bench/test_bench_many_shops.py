"""What it costs to be one shop among many in PostgreSQL, beside one that is alone there."""

from __future__ import annotations

import time
from collections.abc import Callable, Iterator
from datetime import timedelta
from itertools import count

import databases
import pytest
from equipment import SetClock
from sqlmodel import select
from stopwatch import table

from service.store.db import Database
from service.store.facts import Facts
from service.store.readings import NewReading, record_batch
from service.store.tables import Place

pytestmark = pytest.mark.bench

AT = SetClock().now()
BATCH = 500
STEP = timedelta(seconds=30)
_batches = count()


def look(db: Database) -> None:
    with db.read() as session:
        assert len(session.exec(select(Place)).all()) == 1


def write(db: Database) -> None:
    Facts(db).put("bench", {"n": next(_batches)})


def take_in(db: Database) -> None:
    start = AT + next(_batches) * BATCH * STEP
    with db.write() as session:
        batch = [
            NewReading("booth", "wall", at, at, 20.0, 50.0)
            for at in (start + n * STEP for n in range(BATCH))
        ]
        assert record_batch(session, batch).new == BATCH


@pytest.fixture(scope="module")
def ways(tmp_path_factory: pytest.TempPathFactory) -> Iterator[dict[str, Database]]:
    hosting = databases.hosting("bench_many", "north", "south")
    shops = hosting.shops(tmp_path_factory.mktemp("host"))
    alone = Database(databases.on_server("bench_alone", "keeper"))
    alone.upgrade()
    yield {"alone": alone, "one among many": shops.open("south")}
    alone.dispose()
    shops.dispose()


@pytest.mark.parametrize(
    ("what", "act", "turns", "most"),
    [
        ("a batch of 500 readings", take_in, 15, 5.0),
        ("a small write", write, 200, 4.0),
        ("a look at a small table", look, 300, 3.5),
    ],
)
def test_one_shop_among_many(
    ways: dict[str, Database], what: str, act: Callable[[Database], None], turns: int, most: float
) -> None:
    """Least time by the clock on the wall: most of the work is the server's."""
    least = dict.fromkeys(ways, float("inf"))
    for turn in range(turns + 1):
        for name, db in ways.items():
            start = time.perf_counter()
            act(db)
            if turn:
                least[name] = min(least[name], time.perf_counter() - start)
    table(what, least, "alone", {})
    assert least["one among many"] < most * least["alone"]
