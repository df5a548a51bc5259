"""The sensors' pages in a real browser: they fit a phone, can be read and reached, and go live."""

from __future__ import annotations

import math
from datetime import timedelta
from typing import Any

import pytest
from playwright.sync_api import expect
from test_pages_form import CONTRAST, LEAST_TARGET_PX, SIZES, TARGETS, unfold

pytestmark = pytest.mark.real

SOON = 8000


@pytest.fixture
def sensors(shop: Any) -> Any:
    """Four sensors: one corrected, one with a spike, one silent, one out of use."""
    now = shop.clock.now()

    def day(place: str, sensor: str, until: Any = now, spike: int = -1) -> None:
        shop.read_many(
            [
                (
                    until - timedelta(minutes=10 * i),
                    21.0 + 0.1 * math.sin(i / 9.0),
                    48.0 + math.sin(i / 7.0) + (40.0 if i == spike else 0.0),
                )
                for i in range(144, -1, -1)
            ],
            place,
            sensor,
        )

    day("booth", "wall")
    day("booth", "bench", spike=40)
    day("rack", "shelf", until=now - timedelta(hours=2))
    day("store", "old")
    shop.sensors.correct(1, quantity="rh_pct", slope=1.02, offset=-3.0, who="bench 1 " * 9)
    kept = shop.sensors.correct(1, quantity="air_c", offset=0.3)
    shop.sensors.undo_correction(1, kept.id)
    shop.sensors.change(4, retired=True)
    return shop


def in_jar(shop: Any, said_pct: float, hours: float) -> None:
    begun = shop.clock.now()
    shop.jump(hours=hours, seconds=5)
    shop.read_many(
        [
            (
                begun + timedelta(minutes=m),
                20.0,
                said_pct + (48 - said_pct) * math.exp(-m / 15) + 0.1 * math.sin(1.7 * m),
            )
            for m in range(int(60 * hours))
        ]
    )


def fits(visit: Any, path: str, size: str) -> None:
    page = visit.go(path)
    unfold(page)
    assert page.evaluate("document.documentElement.scrollWidth") <= SIZES[size]["width"], path
    assert page.evaluate(TARGETS % LEAST_TARGET_PX) == [], path
    assert page.evaluate(CONTRAST) == [], path
    assert page.locator("h1").count() == 1, path


@pytest.mark.parametrize(
    ("size", "scheme"), [("phone", "light"), ("phone", "dark"), ("wide", "light")]
)
def test_every_page_of_the_sensors_fits_reaches_and_can_be_read(
    sensors: Any, open_page: Any, size: str, scheme: str
) -> None:
    visit = open_page(SIZES[size], color_scheme=scheme)
    for path in ("/sensors", "/sensors/1", "/sensors/2", "/sensors/4", "/sensors/2/table"):
        fits(visit, path, size)
    check = "/sensors/1/salt-check"
    fits(visit, check, size)
    sensors.salt_checks.begin(1, "sodium chloride", "magnesium chloride")
    fits(visit, check, size)
    in_jar(sensors, 74.0, 4.0)
    fits(visit, check, size)
    sensors.salt_checks.take(1)
    fits(visit, check, size)
    sensors.salt_checks.next_jar(1)
    in_jar(sensors, 35.0, 1.0)
    fits(visit, check, size)
    sensors.salt_checks.take(1, anyway=True)
    fits(visit, check, size)
    for path in ("/", "/air/booth", "/places", "/sensors"):
        fits(visit, path, size)


def test_each_state_is_told_by_a_word_and_a_shape_of_its_own(sensors: Any, open_page: Any) -> None:
    sensors.salt_checks.begin(1, "sodium chloride", "magnesium chloride")
    page = open_page().go("/sensors")
    states = page.locator(".sensor-state")
    words = [w.strip() for w in states.all_inner_texts()]
    assert sorted(words) == ["In a salt jar", "In use", "Out of use", "Silent"]
    shapes = {states.nth(i).locator("svg").inner_html() for i in range(4)}
    assert len(shapes) == 4


def test_the_jar_settles_on_the_page_by_itself_and_is_taken_by_a_tap(
    sensors: Any, phone: Any
) -> None:
    sensors.salt_checks.begin(1, "sodium chloride", "magnesium chloride")
    in_jar(sensors, 74.0, 1.0)
    page = phone.go("/sensors/1/salt-check")
    expect(page.locator("#settling")).to_contain_text("Still settling")
    expect(page.get_by_role("button", name="Take it anyway")).to_be_visible()
    sensors.salt_checks.give_up(1)
    sensors.salt_checks.begin(1, "sodium chloride", "magnesium chloride")
    in_jar(sensors, 74.0, 4.0)
    expect(page.locator("#settling")).to_contain_text("Settled", timeout=SOON)
    page.get_by_role("button", name="Take this reading").click()
    expect(page.locator("main")).to_contain_text("Now the second jar")


def test_a_correction_is_kept_and_undone_by_hand(sensors: Any, phone: Any) -> None:
    page = phone.go("/sensors/2")
    page.locator("summary", has_text="Correct by a trusted instrument").click()
    page.get_by_label("The instrument says").fill("50")
    page.get_by_label("give or take").fill("1")
    page.locator("#form-instrument").get_by_role("button", name="Keep the correction").click()
    expect(page.locator("#corrections")).to_contain_text("The instrument said 50.0 % RH")
    page.get_by_role("button", name="Undo Humidity").click()
    expect(page.locator("#corrections")).to_contain_text("undone")
    expect(page.locator("#corrections")).to_contain_text("The instrument said 50.0 % RH")
