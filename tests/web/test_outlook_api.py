"""The outlook, its windows and forecasts over HTTP, and the page that shows them."""

from __future__ import annotations

import re
from collections.abc import Iterator
from datetime import datetime, timedelta
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from shopkit import START, LiveShop, live_shop

from service.store.notice_book import NoticeBook

MATERIAL = "waterborne-acrylic-gun"
"""Its check rests on the air alone, with no film to be followed first."""


def week(
    now: datetime, damp_hours: tuple[int, int] = (18, 9)
) -> list[tuple[datetime, float, float]]:
    """A week of air that is dry by day and damp from one hour to another, every ten minutes."""
    rows = []
    for step in range(7 * 144, -1, -1):
        at = now - timedelta(minutes=10 * step)
        hour = at.hour + at.minute / 60.0
        from_h, until_h = damp_hours
        away = min((hour - until_h) % 24.0, (from_h - hour) % 24.0)
        day = (hour - until_h) % 24.0 < (from_h - until_h) % 24.0
        rh = 50.0 if day else 85.0
        if away < 1.0:  # over two hours, as air does
            rh = 67.5 + (17.5 if not day else -17.5) * away
        wander = np.sin(at.timestamp() / 3600.0 / 11.0)
        rows.append((at, round(21.0 + 0.3 * float(wander), 2), round(rh + float(wander), 2)))
    return rows


@pytest.fixture(scope="module")
def shop(tmp_path_factory: pytest.TempPathFactory) -> Iterator[LiveShop]:
    """A shop early in the morning, whose air has turned dry every day at nine."""
    with live_shop(tmp_path_factory.mktemp("outlook")) as made:
        made.jump(hours=21)  # 6:00 of the next day, still damp
        made.read_many(week(made.clock.now()))
        made.desk.refresh_outlooks()
        yield made


def get(shop: LiveShop, path: str, **query: str) -> Any:
    answer = shop.http.get(f"/api/v1{path}", params=query)
    assert answer.status_code == 200, answer.text
    return answer.json()


def at(text: str) -> datetime:
    return datetime.fromisoformat(text)


def test_the_outlook_tells_every_hour_as_quantiles(shop: LiveShop) -> None:
    told = get(shop, "/places/booth/outlook")
    assert told["why_none"] == ""
    assert told["history_days"] == pytest.approx(7.0, abs=0.2)
    assert len(told["hours"]) == 48
    first, last = told["hours"][0], told["hours"][-1]
    assert at(first["at"]) - at(told["issued_at"]) == timedelta(hours=1)
    assert at(last["at"]) - at(told["issued_at"]) == timedelta(hours=48)
    for hour in told["hours"]:
        for quantity in ("air_c", "dew_point_c", "margin_k"):
            low, middle, high = (hour[quantity][p] for p in ("p10", "p50", "p90"))
            assert low <= middle <= high
        assert hour["margin_k"]["p10"] >= 0.0


def test_windows_open_when_the_air_usually_turns(shop: LiveShop) -> None:
    told = get(shop, "/places/booth/windows", material=MATERIAL)
    assert told["answer_now"] == "wait"
    assert told["why_none"] == ""
    first = told["windows"][0]
    day = shop.clock.now().replace(hour=9, minute=0, second=0, microsecond=0)
    # From the middle of the two hours in which the week's air turned, give or take an hour.
    assert abs(at(first["start_at"]) - day) < timedelta(hours=1.5)
    assert abs(at(first["end_at"]) - day.replace(hour=18)) < timedelta(hours=1.5)
    assert 0.6 < first["probability"] <= 1.0
    assert not first["open_now"]
    assert told["best_today"] == first
    assert told["text"].startswith("Next window: today ")
    assert told["text"].endswith(f"({100 * first['probability']:.0f} %)")
    check = get(shop, "/places/booth/spray-check", material=MATERIAL)
    assert check["next_window"] == first


def test_the_pages_show_the_next_window(shop: LiveShop) -> None:
    text = get(shop, "/places/booth/windows", material=MATERIAL)["text"]
    home = shop.http.get("/", params={"place": "booth", "material": MATERIAL}).text
    assert text in home
    page = shop.http.get("/outlook/booth", params={"material": MATERIAL})
    assert page.status_code == 200
    assert text in page.text
    assert page.text.count('class="fan ') == 2
    assert 'class="band"' in page.text
    assert page.text.count('<th scope="row"><time') == 48


def test_the_figures_stand_hour_by_hour_in_a_persons_units(shop: LiveShop) -> None:
    told = get(shop, "/places/booth/outlook")["hours"]
    get(shop, "/places/booth/windows", material=MATERIAL)  # makes what the chances need
    ask = {"params": {"place": "booth", "material": MATERIAL}}
    page = shop.http.get("/outlook/booth", **ask, headers={"Cookie": "units=us; clock=12"}).text
    table = page.partition('<table class="figures hourly"')[2].partition("</table>")[0]
    rows = re.findall(
        r'<tr><th scope="row"><time datetime="([^"]+)">([^<]+)</time></th>(.*)', table
    )
    assert [instant for instant, _, _ in rows] == [hour["at"] for hour in told]
    for (instant, clock, cells), hour in zip(rows, told, strict=True):
        begun = datetime.fromisoformat(instant)
        assert clock.replace("\u202f", " ") == f"{begun:%I:%M %p}".lstrip("0").lower()
        air, dew, over, chance = re.findall(r"<td>([^<]+)", cells)
        # 1.8 °F to the kelvin, and 32 °F where water freezes (NIST SP 811, B.8).
        fahrenheit = [figure(air), figure(dew)]
        expected = [1.8 * hour[name]["p50"] + 32 for name in ("air_c", "dew_point_c")]
        assert fahrenheit == pytest.approx(expected, abs=0.06)
        assert figure(over) == pytest.approx(1.8 * hour["margin_k"]["p50"], abs=0.06)
        assert 0 <= int(chance) <= 100
    chances = [int(c) for c in re.findall(r"<td>(\d+)</td></tr>", table)]
    assert max(chances) > 50 > min(chances)  # as the windows come and go


def figure(text: str) -> float:
    return float(text.replace("−", "-"))


def test_a_notice_tells_once_that_a_window_opens_soon(shop: LiveShop) -> None:
    shop.work.add_instrument(
        shop_number="7",
        kind="lute",
        woods="maple",
        schedule_id="lacquer-clear",
        place_id="booth",
    )
    needed = next(c for c in shop.desk.cards() if c.shop_number == "7").act.material_id
    assert needed is not None
    window = get(shop, "/places/booth/windows", material=needed)["windows"][0]
    book = NoticeBook(shop.db, shop.clock, shop.catalogue, shop.desk)

    def openings() -> list[str]:
        book.look()
        return [n.text for n in shop.desk.notices(limit=99) if n.kind == "window-opening"]

    assert openings() == []  # hours away still
    before = at(window["start_at"]) - timedelta(minutes=40)
    shop.clock.drive(now=before)  # type: ignore[attr-defined]
    shop.read_many([row for row in week(before) if row[0] > before - timedelta(hours=4)])
    shop.desk.refresh_outlooks()
    (text,) = openings()
    assert text.startswith("Booth: a spray window for ")
    assert "% likely" in text
    shop.jump(minutes=3)
    assert openings() == [text]


def test_without_history_the_reason_is_told(tmp_path: Path) -> None:
    with live_shop(tmp_path) as shop:
        shop.read_day("booth", 21.0, 50.0)
        shop.desk.refresh_outlooks()
        why = "the outlook needs 3 days of readings from this place; there are 1.0"
        told = get(shop, "/places/booth/outlook")
        assert (told["why_none"], told["hours"], told["issued_at"]) == (why, [], None)
        windows = get(shop, "/places/booth/windows", material=MATERIAL)
        assert (windows["why_none"], windows["windows"]) == (why, [])
        assert windows["text"] == f"No outlook: {why}."
        assert get(shop, "/places/booth/spray-check", material=MATERIAL)["next_window"] is None
        assert why in shop.http.get("/outlook/booth").text


def hours_from(now: datetime, **wrong: Any) -> list[dict[str, Any]]:
    rows = [
        {"at": (now + timedelta(hours=h)).isoformat(), "air_c": 9.5, "rh_pct": 81.0} for h in (1, 2)
    ]
    rows[1] |= wrong
    return rows


def test_a_forecast_is_taken_once(dry_shop: LiveShop) -> None:
    now = dry_shop.clock.now()
    body = {"issued_at": now.isoformat(), "hours": hours_from(now)}
    for new in (2, 0):
        answer = dry_shop.http.post("/api/v1/forecast", json=body)
        assert answer.status_code == 201, answer.text
        assert answer.json()["hours_new"] == new


@pytest.mark.parametrize(
    ("wrong", "field"),
    [
        ({"air_c": 400.0}, "hours.1.air_c"),
        ({"rh_pct": -1.0}, "hours.1.rh_pct"),
        ({"at": "2025-03-12T09:00:00"}, "hours.1.at"),
        ({"pressure_pa": 1013.0}, "hours.1.pressure_pa"),
        ({"wind": 3.0}, "hours.1.wind"),
    ],
)
def test_a_wrong_forecast_is_refused_by_field(
    dry_shop: LiveShop, wrong: dict[str, Any], field: str
) -> None:
    answer = dry_shop.http.post("/api/v1/forecast", json={"hours": hours_from(START, **wrong)})
    assert answer.status_code == 422
    assert [error["field"] for error in answer.json()["errors"]] == [field]


@pytest.mark.parametrize("path", ["outlook", f"windows?material={MATERIAL}"])
def test_an_unknown_place_is_not_found(dry_shop: LiveShop, path: str) -> None:
    assert dry_shop.http.get(f"/api/v1/places/nowhere/{path}").status_code == 404
