"""Pages and messages in another language: complete, and with nothing English left in between."""

from __future__ import annotations

import re
import string
import sys
from datetime import UTC, datetime, timedelta
from html import unescape
from html.parser import HTMLParser
from pathlib import Path
from typing import Any

import httpx
import pytest
from babel.messages.catalog import Catalog
from shopkit import LiveShop

from service.shop.air import current_air
from service.shop.said import say
from service.web.tongue import Tongue, load_tongues
from service.web.words import Words

ROOT = Path(__file__).resolve().parents[2]
sys.path.insert(0, str(ROOT / "deploy"))

import messages  # noqa: E402 -- of the folder of scripts

GERMAN: Tongue = load_tongues(messages.LOCALE).of("de")
NOW = datetime(2025, 9, 4, 15, 40, tzinfo=UTC)
DE = {"Accept": "text/html", "Accept-Language": "de-AT,de;q=0.9,en;q=0.5"}


@pytest.fixture(scope="module")
def template() -> Catalog:
    """Every message that the code has now."""
    return messages.collect()


def test_the_catalogue_has_every_message_and_none_that_is_gone(template: Catalog) -> None:
    path = messages.LOCALE / "de" / "LC_MESSAGES" / "boothglass.po"
    assert messages.updated("de", template) == path.read_bytes(), "run: python deploy/messages.py"


def test_no_message_lacks_its_german(template: Catalog) -> None:
    missing = [
        one
        for message in template
        if message.id
        for one in ([message.id] if isinstance(message.id, str) else message.id)
        if one not in GERMAN.catalogue._catalog and (one, 0) not in GERMAN.catalogue._catalog
        and not any(one in message.id for message in template if isinstance(message.id, tuple))
    ]  # fmt: skip
    assert missing == []


def test_every_translation_has_the_same_placeholders() -> None:
    found = GERMAN.catalogue._catalog
    assert len(found) > 1000
    for said, meant in found.items():
        if not said:
            continue
        key = said[0] if isinstance(said, tuple) else said
        assert fields(meant) == fields(key), (key, meant)


def fields(message: str) -> set[str]:
    """Names of the placeholders of either kind."""
    percent = set(re.findall(r"%\((\w+)\)s", message))
    if percent or "%%" in message:
        return percent
    return {name for _, name, _, _ in string.Formatter().parse(message) if name}


@pytest.mark.parametrize(
    ("english", "german"),
    [
        ("Spray", "Spritzen"),
        (
            "warm the air and the work by 3.5 K",
            "Luft und Werkstück um 3,5 K wärmen",
        ),
        (
            "relative humidity 71.0 % RH; asks at most 60.0 % RH",
            "relative Feuchte 71,0 % rF; verlangt höchstens 60,0 % rF",
        ),
        (
            "No. 41 (tenor ukulele): ready for Clear coats, 4 of 10",
            "Nr. 41 (tenor ukulele): bereit für Klarlack, 4 von 10",
        ),
        (
            (
                "Stop spraying in booth: No. 41 is wet and wet film over dew point 1.0 K; asks at "
                "least 3.0 K (2.1 K of it for sensor and model doubt)"
            ),
            (
                "Nicht weiterspritzen in booth: Nr. 41 ist nass, und Nassfilm über Taupunkt 1,0 K; "
                "verlangt mindestens 3,0 K (davon 2,1 K für Zweifel an Fühler und Modell)"
            ),
        ),
        ("3 pieces ready to sand", "3 Stücke: Bereit zum Schleifen"),
        ("no template for this, 1.2.3.4", "no template for this, 1.2.3.4"),
    ],
)
def test_a_sentence_that_was_kept_is_said_in_german(english: str, german: str) -> None:
    assert Words(UTC, tongue=GERMAN).local(english) == german
    assert Words(UTC).local(english) == english


def test_figures_turn_with_the_sentence() -> None:
    us = Words(UTC, us=True, tongue=GERMAN)
    assert us.local(say("lighter coats, {thin:.0f} µm wet", thin=100.0)) == (
        "dünnere Schichten, 3,9 mil nass"
    )


def test_dates_and_figures_as_german_writes_them() -> None:
    words = Words(UTC, tongue=GERMAN)
    # CLDR, German: day and month "d. MMM", Thursday "Do.", decimal comma.
    assert words.temperature(22.04) == "22,0 °C"
    assert words.day(NOW, NOW) == "4. Sept."
    assert words.weekday(NOW) == "Donnerstag 4. Sept."
    assert words.at(NOW + timedelta(days=1), NOW) == "morgen 15:40"
    assert words.ago(300) == "vor 5 min"
    assert Words(UTC, twelve=True, tongue=GERMAN).clock(NOW) == "3:40 PM"


def test_who_asks_for_what_gets_it(shop: LiveShop) -> None:
    def lang(cookies: dict[str, str] | None = None, accept: str = "de") -> str:
        headers = {"Accept": "text/html", "Accept-Language": accept}
        with httpx.Client(base_url=shop.url, headers=headers, cookies=cookies) as browser:
            found = re.search(r'<html lang="(\w+)"', browser.get("/about").text)
        assert found is not None
        return found[1]

    ann = int(shop.people.add("Ann", prefs={"lang": "en"}).id or 0)
    assert lang() == "de"
    assert lang(accept="fr,en;q=0.3,de;q=0.8") == "de"
    assert lang(accept="fr, *;q=0.1") == "en"
    assert lang(accept=";;q=,de;q=x," * 40) == "en"
    assert lang({"lang": "en"}) == "en"
    assert lang({"lang": "de"}, accept="en") == "de"
    assert lang({"lang": "de", "person": str(ann)}) == "en", "the person's own comes first"


class Shown(HTMLParser):
    """Collects what a page shows, piece by piece, and what it names for a screen reader."""

    def __init__(self) -> None:
        super().__init__()
        self.said: list[str] = []
        self._inside: list[str] = []

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        if tag in {"script", "style", "code", "pre"}:
            self._inside.append(tag)
        self.said += [v for k, v in attrs if k in {"aria-label", "title", "alt"} and v]

    def handle_endtag(self, tag: str) -> None:
        if self._inside and self._inside[-1] == tag:
            self._inside.pop()

    def handle_data(self, data: str) -> None:
        if not self._inside:
            self.said.append(data)


PAGES = (
    "/", "/instruments", "/instruments/1", "/places", "/air/booth", "/air/booth/table", "/plan",
    "/more", "/notices", "/about", "/settings", "/settings/device", "/settings/people",
    "/outlook/booth", "/sensors", "/materials", "/materials/nitro-lacquer-can", "/flaws",
    "/rejects", "/listening", "/start/shop", "/start/place", "/start/sensor", "/start/material",
    "/instruments/new", "/places/new", "/nothing-here",
)  # fmt: skip


def test_no_english_is_left_on_a_german_page(shop: LiveShop, template: Catalog) -> None:
    shop.read_day("booth", 22.0, 71.0)
    shop.add_piece("41")
    shop.tell("sensor-silent", "Sensor wall in rack has been silent for 12 min")
    english = {
        unescape(message.id.replace("%%", "%")).strip()
        for message in template
        if isinstance(message.id, str) and " " in message.id.strip() and "{" not in message.id
        and "%(" not in message.id and GERMAN.gettext(message.id) != message.id
    }  # fmt: skip
    left: list[tuple[str, str]] = []
    with httpx.Client(base_url=shop.url, headers=DE, timeout=30) as browser:
        for path in PAGES:
            page = browser.get(path).text
            assert '<html lang="de"' in page, path
            shown = Shown()
            shown.feed(page)
            for text in shown.said:
                plain = " ".join(text.split()).strip(" .:;,·")
                left += [(path, plain)] if plain in english or f"{plain}." in english else []
    assert sorted(set(left)) == []
    assert "Warten" in page_of(shop, "/")
    assert "Fühler wall in rack ist seit 12 min stumm" in page_of(shop, "/notices")


def page_of(shop: LiveShop, path: str) -> str:
    return str(shop.http.get(path, headers=DE).text)


def test_an_error_names_its_field_in_german(shop: LiveShop) -> None:
    refused: Any = shop.http.post("/settings", data={"altitude": "hoch"}, headers=DE)
    assert refused.status_code == 422
    assert "ist keine Zahl" in refused.text


def test_the_trouble_of_a_place_has_its_template() -> None:
    assert current_air([], now=NOW, stale_after_s=600.0, pressure_pa=101_325.0) is None
    old = say("the last reading is {age} old", age="12 min")
    assert GERMAN.said(old) == "die letzte Messung ist 12 min alt"
