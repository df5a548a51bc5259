"""Figures over time: the window band, the strip of a wait, that of a piece, and a place's past."""

from __future__ import annotations

import re
import xml.etree.ElementTree as ET
from datetime import UTC, datetime, timedelta
from typing import Any
from zoneinfo import ZoneInfo

import pytest
from shopkit import LiveShop

from service.shop.projection import ReadyTime
from service.shop.spray_windows import SprayWindow
from service.store.window_book import SprayOutlook
from service.store.working import Working
from service.web.models import iso
from service.web.pages.band import WIDTH, draw_band, working_spans
from service.web.pages.clock_strip import draw_strip
from service.web.words import Words

NOW = datetime(2025, 3, 12, 9, 0, tzinfo=UTC)  # a Wednesday
HOUR = timedelta(hours=1)
WORDS = Words(ZoneInfo("UTC"))
WORKING = Working({"wed": ("08:00", "17:00"), "fri": ("08:00", "12:00")})


def drawn(markup: Any) -> ET.Element:
    return ET.fromstring(str(markup))  # noqa: S314 -- our own drawing


def of(svg: ET.Element, name: str) -> list[dict[str, str]]:
    return [dict(e.attrib) for e in svg.iter() if e.get("class") == name]


def outlook(*windows: tuple[float, float, float]) -> SprayOutlook:
    chances = [next((c for a, b, c in windows if a <= (n + 1) / 6 <= b), 0.1) for n in range(288)]
    return SprayOutlook(
        tuple(
            SprayWindow(NOW + a * HOUR, NOW + b * HOUR, c, c / 2, open_now=a == 0)
            for a, b, c in windows
        ),
        NOW,
        chances=tuple(chances),
    )  # fmt: skip


class TestBand:
    def test_the_shop_works_where_its_hours_say(self) -> None:
        spans = working_spans(WORKING, NOW, NOW + 48 * HOUR, WORDS)
        # Wednesday from now on, nothing on Thursday, Friday until the 48 h are over.
        assert spans == [
            (NOW, NOW + 8 * HOUR),
            (NOW + 47 * HOUR, NOW + 48 * HOUR),
        ]

    def test_a_window_stands_in_its_place_and_as_high_as_it_is_likely(self) -> None:
        svg = drawn(draw_band(outlook((12.0, 24.0, 0.75)), WORKING, NOW, WORDS))
        (area,) = of(svg, "chance-over")
        xs = [float(x) for x in re.findall(r"[ML]([\d.]+) ", area["d"])]
        assert min(xs) == pytest.approx(WIDTH / 4)
        assert max(xs) == pytest.approx(WIDTH / 2)
        ys = sorted({float(y) for y in re.findall(r"[ML][\d.]+ ([\d.]+)", area["d"])})
        (night,) = of(svg, "band-night")
        top, high = float(night["y"]), float(night["height"])
        assert (top + high - ys[0]) / high == pytest.approx(0.75, abs=0.01)
        (label,) = [e.text for e in svg.iter() if e.get("class") == "band-label"]
        assert label == "75 %"

    def test_words_say_the_same(self) -> None:
        svg = drawn(draw_band(outlook((0.0, 3.0, 0.9)), WORKING, NOW, WORDS))
        assert svg.get("aria-label") == (
            "Spray windows of the next 48 hours: now to 12:00, 90 % likely."
        )

    def test_without_an_outlook_nothing_is_drawn(self) -> None:
        assert draw_band(SprayOutlook((), NOW, "not yet"), WORKING, NOW, WORDS) == ""


def wait(**given: Any) -> ReadyTime:
    usual: dict[str, Any] = {
        "mark": "recoat", "clock": 0.5, "elapsed_h": 1.0, "needed_h": 2.0,
        "ready_at": NOW + 2 * HOUR, "ready_from": NOW + HOUR, "ready_until": NOW + 4 * HOUR,
        "reached": False, "surely": False, "gap_h": 0.0, "trailing_gap_h": 0.0, "basis": "",
    }  # fmt: skip
    return ReadyTime(**(usual | given))


class TestStrip:
    def test_it_lies_in_true_time(self) -> None:
        svg = drawn(draw_strip(wait(), NOW - 4 * HOUR, NOW))
        (fill,), (stretch,), (middle,) = (of(svg, f"strip-{n}") for n in ("fill", "range", "mid"))
        # Eight hours from the coat to where it is surely over.
        assert float(fill["width"]) == pytest.approx(50.0)
        assert float(stretch["x"]) == pytest.approx(62.5)
        assert float(stretch["width"]) == pytest.approx(37.5)
        assert float(middle["x1"]) == pytest.approx(75.0)

    def test_without_air_the_clock_alone_is_drawn(self) -> None:
        unknown = wait(ready_at=None, ready_from=None, ready_until=None)
        svg = drawn(draw_strip(unknown, NOW - HOUR, NOW))
        assert of(svg, "strip-fill")[0]["width"] == "50.0"
        assert of(svg, "strip-range") == []


class TestPiece:
    def test_acts_stays_and_waits_stand_where_they_were(self, shop: LiveShop) -> None:
        shop.read_day("booth", 22.0, 45.0)
        shop.read_day("rack", 21.0, 48.0)
        now = shop.clock.now()
        made = shop.work.add_instrument(
            shop_number="41", kind="tenor ukulele", schedule_id="lacquer-clear", place_id="booth",
            at=now - 6 * HOUR,
        )  # fmt: skip
        piece = int(made.id or 0)
        shop.work.record_coat(piece, at=now - 4 * HOUR)
        shop.work.hang(piece, "rack", at=now - 2 * HOUR)
        text = shop.http.get(f"/instruments/{piece}", headers={"accept": "text/html"}).text
        figure = re.search(r'<svg class="clock-strip".*?</svg>', text, re.DOTALL)
        assert figure is not None
        svg = drawn(figure[0])
        stays = of(svg, "stay")
        here = float(of(svg, "now-line")[0]["x1"])
        (drop,) = of(svg, "done-mark")
        at = float(drop["d"][1:].split()[0])
        assert len(stays) >= 2
        assert float(stays[-1]["x"]) + float(stays[-1]["width"]) == pytest.approx(here, abs=1.5)
        # The coat lies as far before the move as the move before now.
        moved = float(stays[-1]["x"])
        assert moved - at == pytest.approx(here - moved, abs=0.5)
        assert "1 coats" in svg.get("aria-label", "")
        assert of(svg, "line line-air")
        assert "10 % by" in text  # the same in a table


class TestPast:
    def test_the_film_of_the_past_is_that_of_the_check(self, shop: LiveShop) -> None:
        shop.read_day("booth", 22.0, 45.0)
        piece = shop.add_piece("41")
        coat = shop.work.record_coat(piece, at=shop.clock.now() - 5 * HOUR)
        path = "/api/v1/places/booth/film"
        asked = {"material": "nitro-lacquer-gun"}
        first = shop.http.get(path, params=asked).json()
        assert "being reckoned" in first["why_none"]
        assert [c["shop_number"] for c in first["coats"]] == ["41"]
        shop.desk.refresh_outlooks()  # makes what was asked for
        told = shop.http.get(path, params=asked).json()
        assert told["why_none"] == ""
        history = shop.http.get("/api/v1/places/booth/history", params={"points": 600}).json()
        assert [row["at"] for row in told["rows"]] == [row["at"] for row in history]
        check = shop.desk.spray_check("booth", "nitro-lacquer-gun")
        assert check.film_floor_c is not None
        assert check.air is not None
        # Unmeasured work is as warm as the air; the table's own error is a fraction of a kelvin.
        assert told["rows"][-1]["film_floor_c"] == pytest.approx(check.film_floor_c, abs=0.3)
        assert told["rows"][-1]["may_spray"] == (check.answer == "spray")
        assert told["windows"]
        assert told["coats"][0]["at"] == iso(coat.at)

    def test_damp_hours_end_a_window(self, shop: LiveShop) -> None:
        now = shop.clock.now()
        rows = [
            (now - timedelta(minutes=5 * i), 22.0, 45.0 if i > 96 or i < 48 else 88.0)
            for i in range(288, -1, -1)
        ]
        shop.read_many(rows)
        asked = {"material": "nitro-lacquer-gun"}
        shop.http.get("/api/v1/places/booth/film", params=asked)
        shop.desk.refresh_outlooks()
        told = shop.http.get("/api/v1/places/booth/film", params=asked).json()
        assert len(told["windows"]) == 2
        assert told["windows"][0]["end_at"] < told["windows"][1]["start_at"]

    def test_what_is_not_sprayed_is_refused(self, shop: LiveShop) -> None:
        shop.read_day("booth", 22.0, 45.0)
        wrong = shop.http.get("/api/v1/places/booth/film", params={"material": "water"})
        assert wrong.status_code == 422
        asked = {"material": "nitro-lacquer-gun"}
        assert shop.http.get("/api/v1/places/no/film", params=asked).status_code == 404

    def test_the_table_tells_film_and_coats_too(self, shop: LiveShop) -> None:
        shop.read_day("booth", 22.0, 45.0)
        piece = shop.add_piece("41")
        shop.work.record_coat(piece, at=shop.clock.now() - 5 * HOUR)
        page = "/air/booth/table?material=nitro-lacquer-gun"
        shop.http.get(page)
        shop.desk.refresh_outlooks()
        text = shop.http.get(page, headers={"accept": "text/html"}).text
        assert "<td>held</td>" in text
        assert "Coats laid here" in text
        for span in ("30d", "1y"):
            assert shop.http.get(f"/air/booth?span={span}").status_code == 200
