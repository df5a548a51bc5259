"""The first page of a shop with a year of readings: how long the service takes for it.

The year (8.4 million readings of eight sensors) is the one of the history's bench; it is built
once, which takes some twenty minutes, and kept in ``HISTORY_BENCH_FOLDER``. The five pieces of the
demo are on the bench. Beside it stands a page that asks for nothing.
"""

from __future__ import annotations

import itertools
import os
import shutil
import statistics
import sys
import tempfile
import threading
import time
from collections.abc import Callable, Iterator
from datetime import UTC, datetime, timedelta
from pathlib import Path

import pytest

sys.path.insert(0, str(Path(__file__).parents[1] / "web"))
sys.path.insert(0, str(Path(__file__).parents[2] / "deploy"))

import databases
import history_year
import shopkit

from service.clock import DrivenClock
from service.demo import PIECES, worked_back
from service.store.db import Database, sqlite_path, sqlite_url
from service.store.readings import NewReading, record_batch
from service.store.settling import settle_all
from service.web.pages.view import look_ahead
from service.web.ready import REST, Ready

pytestmark = pytest.mark.bench

FOLDER = Path(os.environ.get("HISTORY_BENCH_FOLDER", Path(tempfile.gettempdir()) / "history-bench"))
NOW = history_year.START + timedelta(days=history_year.DAYS)
PAGE = "/?place=booth&material=nitro-lacquer-gun"
ROUNDS = int(os.environ.get("NOW_BENCH_ROUNDS", "60"))
COUNT = itertools.count()


@pytest.fixture(scope="module")
def shop(tmp_path_factory: pytest.TempPathFactory) -> Iterator[shopkit.LiveShop]:
    folder = tmp_path_factory.mktemp("year")
    shutil.copy(history_year.build(FOLDER / "year"), sqlite_path(folder))
    db = Database(sqlite_url(folder))
    db.upgrade()
    db.dispose()
    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(databases, "fresh", sqlite_url)  # the year instead of a fresh one
        made = shopkit.LiveShop(folder, clock=DrivenClock(NOW, 1.0))
    for piece in PIECES:
        take_in(made, piece)
    made.desk.refresh_outlooks()
    made.desk.windows("booth", made.desk.spray_check("booth", "nitro-lacquer-gun"), wait=True)
    yield made
    made.close()


def take_in(shop: shopkit.LiveShop, piece: object) -> None:
    """Bring a piece of the demo to where it stands there."""
    first = worked_back(NOW, max(act.ago_h for act in piece.acts) + 0.5, UTC)
    row = shop.work.add_instrument(
        shop_number=piece.number, kind=piece.kind, woods=piece.woods, plate_mm=piece.plate_mm,
        schedule_id=piece.schedule, place_id=piece.place, at=first,
    )  # fmt: skip
    for act in sorted(piece.acts, key=lambda act: -act.ago_h):
        at = worked_back(NOW, act.ago_h, UTC)
        if act.what == "coat":
            shop.work.record_coat(row.id, passes=act.passes, at=at)
        elif act.what in {"booth", "rack"}:
            shop.work.hang(row.id, act.what, at=at)
        elif act.what != "flaw":
            shop.work.finish_step(row.id, act.what, at=at)


def a_reading(shop: shopkit.LiveShop) -> None:
    """One more reading of the booth, as every half minute brings it; air it has not had before."""
    at: datetime = shop.clock.now()
    n = next(COUNT)
    air_c, rh_pct = round(16.1 + 0.01 * (n % 37), 2), round(52.0 + 0.05 * (n % 41), 2)
    with shop.db.write() as session:
        record_batch(session, [NewReading("booth", "wall", at, at, air_c, rh_pct, 15.6)])
    settle_all(shop.db)


class Told:
    """What the service does with a settled reading: it looks ahead, then tells open pages."""

    def __init__(self, shop: shopkit.LiveShop) -> None:
        self.shop, self.ahead_ms = shop, list[float]()
        self._told, self._looked_at = threading.Event(), 0.0
        self._ready = Ready(self._look, lambda _place: self._told.set())
        self._ready.start()

    def _look(self) -> None:
        at, begun = time.monotonic(), time.thread_time()
        rooms = self.shop.app.state.shop
        for asked in rooms.views.lately():
            look_ahead(rooms, asked)
        self.ahead_ms.append(1e3 * (time.thread_time() - begun))
        self._looked_at = at

    def a_reading(self) -> None:
        """One more reading; return when open pages hear of it."""
        while True:
            a_reading(self.shop)
            at = time.monotonic()
            self._told.clear()
            self._ready.changed("booth")
            assert self._told.wait(60)
            if self._looked_at > at:
                return
            # It rests, looks again and rests once more; readings come every few seconds.
            time.sleep(2.0 * (REST + 1.0) * self.ahead_ms[-1] / 1e3 + 0.1)

    def stop(self) -> None:
        """Leave no thread behind."""
        self._ready.stop()


def asked(shop: shopkit.LiveShop, path: str, before: Callable[[], None]) -> tuple[float, float]:
    """Wall and processor time of one answer, ms; the client's own share is in both."""
    before()
    wall, busy = time.perf_counter(), time.process_time()
    answer = shop.http.get(path, headers={"accept": "text/html"})
    passed = 1e3 * (time.perf_counter() - wall), 1e3 * (time.process_time() - busy)
    assert answer.status_code == 200
    return passed


def test_the_first_page_answers_before_a_thumb_is_off_the_glass(shop: shopkit.LiveShop) -> None:
    told = Told(shop)
    ways: dict[str, tuple[str, Callable[[], None]]] = {
        "about (asks for nothing)": ("/about", lambda: None),
        "now, nothing new": (PAGE, lambda: None),
        "now, told of a reading": (PAGE, told.a_reading),
        "now, before it is told": (PAGE, lambda: a_reading(shop)),
    }
    times: dict[str, list[tuple[float, float]]] = {name: [] for name in ways}
    for number in range(ROUNDS + 5):
        for name, (path, before) in ways.items():
            passed = asked(shop, path, before)
            if number >= 5:
                times[name].append(passed)
    told.stop()
    print("\nmedian of one answer, ms          wall  processor   of the empty page's")
    medians = {}
    for name, rows in times.items():
        medians[name] = [statistics.median(column) for column in zip(*rows, strict=True)]
        idle = medians["about (asks for nothing)"][1]
        wall_ms, busy_ms = medians[name]
        print(f"  {name:<28}{wall_ms:>8.1f}{busy_ms:>10.1f}{busy_ms / idle:>12.1f}")
    ahead_ms = statistics.median(told.ahead_ms)
    print(f"  reckoned ahead, a reading   {'':>8}{ahead_ms:>10.1f}{ahead_ms / idle:>12.1f}")
    # As multiples of the page that asks for nothing: those hold on a busy machine too. Before open
    # pages are told, whoever asks follows the film himself.
    assert medians["now, nothing new"][1] < 3.5 * idle
    assert medians["now, told of a reading"][1] < 3.5 * idle
    assert medians["now, before it is told"][1] < 50.0 * idle
