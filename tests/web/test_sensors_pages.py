"""Pages of the sensors over plain HTTP, as a browser without script uses them."""

from __future__ import annotations

import math
import re
from datetime import timedelta
from html import unescape
from pathlib import Path

import httpx
import pytest
from shopkit import LiveShop, live_shop

from service.shop.quality import NAMES
from service.web import phrases
from service.web.flag_shapes import FLAG_WORDS, SHAPES

HTML = {"accept": "text/html"}


def page(shop: LiveShop, path: str, status: int = 200) -> str:
    answer = shop.http.get(path, headers=HTML)
    assert answer.status_code == status, answer.text
    return re.sub(r"\s+", " ", unescape(re.sub(r"<[^>]*>", " ", answer.text)))


def post(shop: LiveShop, path: str, **fields: object) -> httpx.Response:
    return shop.http.post(path, data={k: str(v) for k, v in fields.items()}, headers=HTML)


def landed(shop: LiveShop, answer: httpx.Response) -> str:
    assert answer.status_code == 303, answer.text
    return page(shop, answer.headers["location"])


def fill(shop: LiveShop, days: int = 1) -> None:
    now = shop.clock.now()
    shop.read_many(
        [
            (now - timedelta(minutes=5 * i), 21.0 + 0.01 * (i % 90), 47.0 + 0.03 * (i % 70))
            for i in range(288 * days, -1, -1)
        ]
    )


@pytest.fixture
def booth(shop: LiveShop) -> LiveShop:
    """A booth with one sensor and a day of its readings."""
    fill(shop)
    return shop


def in_jar(shop: LiveShop, said_pct: float, hours: float) -> None:
    begun = shop.clock.now()
    shop.jump(hours=hours)
    shop.read_many(
        [
            (
                begun + timedelta(minutes=minute),
                20.0,
                said_pct + (48 - said_pct) * math.exp(-minute / 15) + 0.1 * math.sin(1.7 * minute),
            )
            for minute in range(int(60 * hours))
        ]
    )


def test_every_flag_and_state_has_a_word_and_a_shape_of_its_own() -> None:
    assert set(FLAG_WORDS) == set(SHAPES) == set(NAMES.values())
    assert len(set(SHAPES.values())) == len(SHAPES)
    assert len(set(FLAG_WORDS.values())) == len(FLAG_WORDS)
    assert len(set(phrases.SENSOR_STATES.values())) == len(phrases.SENSOR_STATES)


def test_an_empty_shop_says_so(shop: LiveShop) -> None:
    assert "No sensor was heard yet" in page(shop, "/sensors")


def test_the_list_says_how_each_sensor_stands(booth: LiveShop) -> None:
    booth.read(19.0, 55.0, place="rack", sensor="shelf")
    booth.http.patch("/api/v1/sensors/2", json={"retired": True})
    text = page(booth, "/sensors")
    assert "In use" in text
    assert "Out of use" in text
    assert "Not corrected. Next humidity check:" in text
    assert "No flag on" in text
    booth.jump(hours=1)
    assert "Silent" in page(booth, "/sensors")


def test_flags_are_named_now_and_over_the_day_and_on_the_figure(booth: LiveShop) -> None:
    booth.jump(minutes=2)
    booth.read(40.0, 47.0)
    (name, *_) = booth.http.get("/api/v1/sensors/1").json()["flags"]
    for path in ("/sensors", "/sensors/1"):
        assert f"Flagged now {FLAG_WORDS[name]}" in page(booth, path)
    raw = booth.http.get("/sensors/1", headers=HTML).text
    assert 'class="flag-mark"' in raw
    assert f"1 reading {FLAG_WORDS[name]}" in page(booth, "/sensors/1/table")


def test_a_correction_by_an_instrument_shows_the_sensors_own_mean_first(booth: LiveShop) -> None:
    text = page(booth, "/sensors/1")
    assert "Humidity by this sensor at" in text
    at = (booth.clock.now() - timedelta(hours=2)).strftime("%Y-%m-%dT%H:%M")
    assert "Air temperature by this sensor at 07:" in page(
        booth, f"/sensors/1?quantity=air_c&at={at}"
    )
    old = (booth.clock.now() - timedelta(days=9)).strftime("%Y-%m-%dT%H:%M")
    assert "0 usable readings" in page(booth, f"/sensors/1?at={old}")
    answer = post(
        booth, "/sensors/1/instrument", quantity="rh_pct", value="50,5", sd="1", who="bench 1",
        from_at=(booth.clock.now() - timedelta(hours=12)).strftime("%Y-%m-%dT%H:%M"),
    )  # fmt: skip
    text = landed(booth, answer)
    assert "The instrument said 50.5 % RH ± 1.0 % RH, the sensor sent" in text
    assert "holds" in text
    assert "corrected 50.5 % RH" in text
    assert "Dotted: as sent" in text


def test_a_correction_is_undone_by_a_button_and_stays_to_be_seen(booth: LiveShop) -> None:
    landed(booth, post(booth, "/sensors/1/slope", quantity="rh_pct", slope="1.02", offset="-3"))
    text = page(booth, "/sensors/1")
    assert "1.0200 × sent − 3.00 % RH" in text
    text = landed(booth, post(booth, "/sensors/1/corrections/1/undo"))
    assert "everything is as it was before it" in text
    assert "1.0200 × sent − 3.00 % RH" in text
    assert "undone" in text
    assert "/corrections/1/undo" not in booth.http.get("/sensors/1", headers=HTML).text


@pytest.mark.parametrize(
    ("form", "fields", "said"),
    [
        ("instrument", {"quantity": "rh_pct", "value": "damp", "sd": "1"}, "is no number"),
        ("instrument", {"quantity": "rh_pct", "value": "90", "sd": "1"}, "is a fault"),
        ("instrument", {"quantity": "rh_pct", "sd": "1"}, "Field required"),
        ("instrument", {"quantity": "rh_pct", "value": "48", "sd": "1", "at": "x"}, "no date"),
        ("slope", {"quantity": "rh_pct", "slope": "7"}, "outside 0.5 to 2"),
        ("slope", {"quantity": "rh_pct", "from_at": "2040-01-01T00:00"}, "future"),
        ("settings", {"air_sd": "much"}, "is no number"),
        ("settings", {"check_every_days": "0"}, "greater than or equal to 1"),
    ],
)
def test_a_form_that_cannot_be_taken_says_why_and_keeps_what_was_typed(
    booth: LiveShop, form: str, fields: dict[str, str], said: str
) -> None:
    answer = post(booth, f"/sensors/1/{form}", **fields)
    assert answer.status_code == 422
    assert said in unescape(answer.text)
    assert f'id="form-{form}" class="sheet" open' in answer.text
    for value in fields.values():
        assert value in answer.text
    assert booth.http.get("/api/v1/sensors/1/corrections").json() == []


def test_uncertainty_reminder_and_retirement_are_set_by_forms(booth: LiveShop) -> None:
    answer = post(booth, "/sensors/1/settings", air_sd="0.5", rh_sd="3", check_every_days="60")
    assert "Set." in landed(booth, answer)
    sensor = booth.http.get("/api/v1/sensors/1").json()
    assert (sensor["air_sd_k"], sensor["rh_sd_pct"], sensor["check_every_days"]) == (0.5, 3.0, 60)
    landed(booth, post(booth, "/sensors/1/settings"))
    assert booth.http.get("/api/v1/sensors/1").json()["check_every_days"] == 180
    assert "Bring it back" in landed(booth, post(booth, "/sensors/1/retire", retired="yes"))
    assert "Take it out of use" in landed(booth, post(booth, "/sensors/1/retire", retired="no"))


def test_the_salt_check_leads_from_choice_to_correction(booth: LiveShop) -> None:
    path = "/sensors/1/salt-check"
    text = page(booth, path)
    assert "sodium chloride, NaCl: 75 % RH" in text
    assert "stay undissolved" in text
    assert "left out of the air of Booth" in text
    begin = {"first": "sodium chloride", "second": "magnesium chloride"}
    assert "First jar: sodium chloride" in landed(booth, post(booth, f"{path}/begin", **begin))
    in_jar(booth, 74.0, 1.0)
    text = page(booth, path)
    assert "Still settling" in text
    assert "Take it anyway" in text
    assert post(booth, f"{path}/take").status_code == 422
    landed(booth, post(booth, f"{path}/give-up", never_away="no"))
    landed(booth, post(booth, f"{path}/begin", **begin))
    in_jar(booth, 74.0, 4.0)
    assert "Settled" in page(booth, path)
    text = landed(booth, post(booth, f"{path}/take"))
    assert "Now the second jar: magnesium chloride" in text
    landed(booth, post(booth, f"{path}/jar", jar=2))
    in_jar(booth, 35.0, 4.0)
    text = landed(booth, post(booth, f"{path}/take"))
    assert "Before After" in text
    assert "good to ±" in text
    air = page(booth, "/air/booth")
    assert "Left out: wall is away for its salt check" in air
    text = landed(booth, post(booth, f"{path}/adopt", who="bench 1"))
    assert "Two salt jars, good to ±" in text
    assert "Coming back" in text
    assert "Choose" in page(booth, path)


def test_swapped_jars_are_explained_and_may_be_done_again(booth: LiveShop) -> None:
    path = "/sensors/1/salt-check"
    post(booth, f"{path}/begin", first="sodium chloride", second="magnesium chloride")
    in_jar(booth, 34.0, 4.0)
    post(booth, f"{path}/take")
    post(booth, f"{path}/jar", jar=2)
    in_jar(booth, 74.0, 4.0)
    text = landed(booth, post(booth, f"{path}/take"))
    assert "Nothing follows from these two jars: the jars look swapped" in text
    assert "Adopt" not in text
    text = landed(booth, post(booth, f"{path}/jar", jar=1, again="yes"))
    assert "First jar: sodium chloride" in text


def test_a_refused_choice_of_salts_is_named(booth: LiveShop) -> None:
    answer = post(
        booth, "/sensors/1/salt-check/begin", first="sodium chloride", second="potassium chloride"
    )
    assert answer.status_code == 422
    assert "less than 20 % RH" in answer.text


def test_a_sensor_that_is_not_there_is_not_found(booth: LiveShop) -> None:
    for path in ("/sensors/9", "/sensors/9/table", "/sensors/9/salt-check"):
        page(booth, path, 404)


def test_us_units_reach_forms_and_figures(tmp_path: Path) -> None:
    with live_shop(tmp_path, units="us") as shop:
        fill(shop)
        own = shop.http.get("/api/v1/sensors/1/around?quantity=air_c").json()["raw"]
        # 70.7 °F are 21.5 °C; a give-or-take of 0.9 °F is 0.5 K.
        landed(
            shop,
            post(shop, "/sensors/1/instrument", quantity="air_c", value="70.7", sd="0.9"),
        )
        (kept,) = shop.http.get("/api/v1/sensors/1/corrections").json()
        assert kept["offset"] == pytest.approx(21.5 - own, abs=1e-6)
        assert kept["detail"]["value_sd"] == pytest.approx(0.5)
        # 1.1 × °F − 7 °F is, in °C, 1.1 × sent + (−7 + 32 × 0.1) / 1.8.
        landed(shop, post(shop, "/sensors/1/slope", quantity="air_c", slope="1.1", offset="-7"))
        newest = shop.http.get("/api/v1/sensors/1/corrections").json()[0]
        assert newest["offset"] == pytest.approx((-7 + 3.2) / 1.8)
        text = page(shop, "/sensors/1")
        assert "1.1000 × sent − 7.00 °F" in text
        assert "°C" not in text
        post(shop, "/sensors/1/settings", air_sd="0.9", rh_sd="2")
        assert shop.http.get("/api/v1/sensors/1").json()["air_sd_k"] == pytest.approx(0.5)
        choose = page(shop, "/sensors/1/salt-check")
        assert "between 59 °F and 86 °F" in choose
