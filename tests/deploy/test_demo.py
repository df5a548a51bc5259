"""The invented shop: what a person finds on first start, and that its air goes on."""

from __future__ import annotations

import itertools
from collections.abc import Callable, Iterator
from datetime import UTC, datetime, timedelta
from pathlib import Path
from zoneinfo import ZoneInfo

import databases
import pytest
from equipment import eventually

from sensors.feed import Feed
from sensors.rooms import SALTMARSH
from sensors.weather import DampSpring, read_weather
from service.app import Shop
from service.demo import PIECES, Spring, begin, worked_back
from service.settings import Settings

LISBON = ZoneInfo("Europe/Lisbon")
NOON = datetime(2026, 5, 6, 13, 0, tzinfo=UTC)

Opened = Callable[..., tuple[Shop, Feed]]


@pytest.fixture
def opened(tmp_path: Path) -> Iterator[Opened]:
    """Opens the demo on the same folder as often as asked, closing what was open before."""
    running: list[tuple[Shop, Feed]] = []

    def close() -> None:
        while running:
            shop, feed = running.pop()
            feed.stop()
            shop.stop()

    def opened(rate: float = 1.0) -> tuple[Shop, Feed]:
        close()
        settings = Settings(
            data=tmp_path,
            database_url=databases.setting(tmp_path),
            mqtt_port=0,
            zone="Europe/Lisbon",
            clock_start=NOON,
            clock_rate=rate,
        )
        shop = Shop(settings)
        feed = begin(shop, DampSpring(41))
        shop.start()
        running.append((shop, feed))
        return running[-1]

    yield opened
    close()


@pytest.mark.slow
@pytest.mark.real
def test_the_first_page_is_alive_and_a_second_start_adds_nothing(opened: Opened) -> None:
    shop, _ = opened()
    places = {view.id: view for view in shop.desk.places()}
    assert set(places) == {"booth", "rack", "wood-store", "outdoors"}
    assert places["booth"].volume_m3 == 22.0
    for view in places.values():
        assert view.air is not None
        assert view.air.trouble is None
    cards = {card.shop_number: card for card in shop.desk.cards()}
    assert set(cards) == {piece.number for piece in PIECES} == {"41", "42", "43", "44", "45"}
    assert cards["43"].act.step_kind == "cure"
    assert cards["44"].act.state == "waiting"
    assert cards["44"].act.step_kind == "scuff_sand"
    assert cards["41"].act.step_kind == "clear_coat"
    assert cards["41"].act.coat_number == 8
    assert cards["45"].act.state == "ready"
    assert len(shop.desk.flaws()) == 1
    # A day of the booth's air and more, with no hole wider than ten minutes.
    rows = shop.desk.history("booth", NOON - timedelta(days=5), NOON, "raw").rows
    times = [datetime.fromisoformat(str(row["at"])) for row in rows]
    gaps = [later - earlier for earlier, later in itertools.pairwise(times)]
    assert max(gaps) <= timedelta(minutes=10)
    coats = [line for card in cards.values() for line in shop.desk.log(card.id)]
    assert all(line.air for line in coats if line.kind == "coat")  # the air of its moment

    again, _ = opened()
    assert {card.shop_number for card in again.desk.cards()} == set(cards)
    assert len(again.desk.places()) == 4
    assert len(again.desk.flaws()) == 1


@pytest.mark.slow
@pytest.mark.real
def test_its_air_goes_on_over_mqtt_and_keeps_up_with_a_fast_clock(opened: Opened) -> None:
    shop, feed = opened(rate=3600.0)
    # First it catches up with what the clock ran on while the shop was being made; then reports
    # come twenty times a second, three minutes of shop time apart, and count as fresh.
    for more in (50, 100):
        rounds = feed.rounds
        eventually(lambda target=rounds + more: feed.rounds > target, 30.0, "reports sent")
        eventually(lambda: fresh(shop), 30.0, "air of the booth is fresh")
    assert shop.intake.health()["rejected"] == 0


def fresh(shop: Shop) -> bool:
    air = shop.desk.air("booth")
    return air is not None and air.trouble is None and air.age_s < shop.settings.stale_after_s


class TestWorkingHours:
    @pytest.mark.parametrize(
        ("now", "hours", "expected"),
        [
            ("2026-05-06T14:00", 2.0, "2026-05-06T12:00"),
            ("2026-05-06T09:00", 3.0, "2026-05-05T17:00"),
            ("2026-05-06T23:30", 1.0, "2026-05-06T17:00"),
            ("2026-05-06T03:00", 0.5, "2026-05-05T17:30"),
            ("2026-05-06T14:00", 7.0 + 11.0, "2026-05-05T07:00"),
            ("2026-05-06T14:00", 7.0 + 11.0 + 1.0, "2026-05-04T17:00"),
        ],
    )
    def test_counts_back_over_closed_doors(self, now: str, hours: float, expected: str) -> None:
        assert (SALTMARSH.day_from_h, SALTMARSH.day_until_h) == (7.0, 18.0)
        instant = datetime.fromisoformat(now).replace(tzinfo=LISBON).astimezone(UTC)
        told = worked_back(instant, hours, LISBON)
        assert told.astimezone(LISBON).replace(tzinfo=None) == datetime.fromisoformat(expected)

    def test_nothing_is_ever_in_the_future(self) -> None:
        for hour in range(24):
            now = datetime(2026, 5, 6, hour, 30, tzinfo=UTC)
            assert worked_back(now, 0.0, LISBON) <= now


def test_the_open_weather_gives_a_spring_at_any_time_of_year() -> None:
    spring = Spring(read_weather("pvlib:723170TYA"))
    for month in range(1, 13):
        told = spring.at(datetime(2026, month, 15, 12, tzinfo=UTC))
        assert told.at.month == month
        # April to June at Greensboro, from the file itself: nothing below freezing by much.
        assert -2.0 < told.air_c < 36.0
