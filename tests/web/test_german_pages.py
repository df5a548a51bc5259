"""Every page that can be reached is walked in German: no English is left on any, nor on paper."""

from __future__ import annotations

import io
import re
import sys
from collections.abc import Iterator
from datetime import timedelta
from pathlib import Path
from typing import Any

import httpx
import pytest
from english import English, Page
from PIL import Image
from pypdf import PdfReader
from shopkit import LiveShop, live_shop

from service.notify.channels import Later
from service.web.tongue import Tongue, load_tongues

ROOT = Path(__file__).resolve().parents[2]
sys.path.insert(0, str(ROOT / "deploy"))

import messages  # noqa: E402 -- of the folder of scripts

GERMAN: Tongue = load_tongues(messages.LOCALE).of("de")
SPOKEN = {
    lang: {"Accept": "text/html", "Accept-Language": lang, "Sec-Fetch-Site": "same-origin"}
    for lang in ("de", "en")
}

WRITTEN = (
    "payload Kabine Zwo Lager kabine lager fuehler Tenor-Ukulele Oktavmandoline Kästchen Fichte "
    "Mahagoni Ahorn Xaver Ludmilla Werkstatt Zapf Quirl Notiz Anlass Lieferung example org Los"
)
"""All that a person has typed into this shop: place, sensor, pieces, woods, names, notes."""

FIRST = (
    "/", "/more", "/wall", "/offline", "/flaws/compare", "/listening", "/instruments/new",
    "/places/new", "/what-if?place=kabine&material=nitro-lacquer-can", "/nothing-here",
    "/instruments/999", "/flaws/999", "/air/nirgends", "/materials/keins", "/start/shop",
    "/start/place", "/start/sensor", "/start/material",
)  # fmt: skip
"""Where the walk begins; some pages are not linked, and some are errors."""

ALIKE_AT_MOST = 4
"""So many pages of one kind that differ in the query alone are looked at."""


class Kept:
    """A channel that keeps what is sent; the second of two does not get through."""

    def __init__(self, error: Exception | None = None) -> None:
        self.got: list[Any] = []
        self.error = error

    def check(self, config: Any) -> dict[str, Any]:
        return dict(config)

    def send(self, _config: Any, message: Any) -> None:
        if self.error:
            raise self.error
        self.got.append(message)


@pytest.fixture(scope="module")
def busy(tmp_path_factory: pytest.TempPathFactory) -> Iterator[LiveShop]:
    """A shop in which everything that leaves words on a page has happened."""
    with live_shop(tmp_path_factory.mktemp("shop"), name="Werkstatt Zapf") as shop:
        _fill(shop)
        yield shop


def _fill(shop: LiveShop) -> None:
    now = shop.clock.now()
    for place, name, kind in (("kabine", "Kabine", "booth"), ("lager", "Lager", "store")):
        shop.work.add_place(place, name, kind, 22.0)
        damp = 84.0 if kind == "booth" else 66.0
        rows = [
            (now - timedelta(minutes=10 * n), 20.0 + 0.2 * (n % 7), damp - 0.3 * (n % 11))
            for n in range(9 * 144, -1, -1)
            if not 700 < n < 760  # a hole in the record
        ]
        shop.read_many(rows, place, "fuehler", 20.0)
    pieces = [
        shop.add_piece("41", "kabine", kind="Tenor-Ukulele", woods="Fichte", plate_mm=2.2),
        shop.add_piece("42", "kabine", kind="Oktavmandoline", woods="Ahorn", parts=("top", "neck")),
        shop.add_piece("43", None, kind="Kästchen", schedule_id="french-polish", woods="Mahagoni"),
    ]
    gun = "nitro-lacquer-gun"
    for n, hours in enumerate((170.0, 6.0, 5.5, 1.5)):
        shop.work.record_coat(
            pieces[0], material_id=gun, at=now - timedelta(hours=hours), batch=f"Los{n}",
            retarder_pct=7.5, who="Ludmilla", distance_cm=22.0, note="Notiz",
        )  # fmt: skip
    shop.work.finish_step(pieces[0], "seal", at=now - timedelta(hours=160), who="Xaver")
    shop.work.record_coat(pieces[1], material_id=gun, at=now - timedelta(minutes=20))
    post = _poster(shop)
    post("/instruments/1/hang", place="lager")
    for number, kind in enumerate(sorted(shop.catalogue.flaw_kinds)):
        post(
            f"/instruments/{1 + number % 3}/flaw", kind=kind, severity=str(1 + number % 3),
            part=("Decke", "", "Kopfplatte")[number % 3], note="Anlass",
        )  # fmt: skip
    post("/flaws/1/cause", cause="damp_air")
    post("/instruments/1/verdict", said="soft")
    post("/instruments/2/cold", wood="4", wood_rh_pct="80")
    post("/sensors/1/slope", quantity="rh_pct", slope="1", offset="-2,5")
    post("/sensors/2/salt-check/begin", first="sodium chloride", second="magnesium chloride")
    figures = {"marks": {"recoat": {"hours": 1.5}}, "basis": "Lieferung"}
    assert shop.http.post("/api/v1/materials/nitro-lacquer-can/figures", json=figures).is_success
    shop.reject(b"{", "payload", "is not JSON: Quirl")
    shop.tell("sensor-silent", "Sensor fuehler in lager has been silent for 12 min")
    shop.status |= {"status": "degraded", "reasons": ["sensor lager/fuehler is silent"]}
    shop.senders |= {"email": Kept(), "webhook": Kept(Later("answered with status 503"))}
    post("/settings/people", name="Xaver")
    post("/settings/people/1", name="Xaver", lang="de")
    post("/settings/people/1/channels", kind="email", name="Quirl", to="xaver@example.org")
    post("/settings/people/1/channels", kind="webhook", name="Zwo", url="https://example.org/")
    shop.tell("stop-spraying", "Sensor fuehler in kabine has been silent for 14 min")
    shop.postman.work()


def _poster(shop: LiveShop) -> Any:
    def post(path: str, **fields: str) -> None:
        answer = shop.http.post(path, data=fields, headers=SPOKEN["de"])
        assert answer.status_code in {200, 303}, (path, answer.status_code, answer.text[-3000:])

    return post


@pytest.fixture(scope="module")
def english() -> English:
    """What knows English when it sees it."""
    return English(messages.collect(), GERMAN, [WRITTEN])


def walk(shop: LiveShop) -> dict[str, tuple[Page, Page]]:
    """Every page that links lead to, in German and in English."""
    todo, seen = list(FIRST), dict[str, tuple[Page, Page]]()
    alike: dict[str, int] = {}
    with httpx.Client(base_url=shop.url, timeout=60, follow_redirects=True) as browser:
        while todo:
            path = todo.pop(0).partition("#")[0]
            if path in seen or not re.match(r"/(?!api|assets|n/|calendar/|//)", path):
                continue
            kind = re.sub(r"\d+", "0", path.partition("?")[0])
            alike[kind] = alike.get(kind, 0) + ("?" in path)
            if alike[kind] > ALIKE_AT_MOST:
                continue
            pages = []
            for lang in ("de", "en"):
                answer = browser.get(path, headers=SPOKEN[lang])
                if "text/html" not in answer.headers.get("content-type", ""):
                    break
                assert answer.status_code < 500, path
                assert f'<html lang="{lang}"' in answer.text, path
                pages.append(Page(answer.text))
            if len(pages) == 2:
                seen[path] = (pages[0], pages[1])
                todo += pages[0].links
    return seen


def test_no_english_is_left_on_any_page(busy: LiveShop, english: English) -> None:
    seen = walk(busy)
    kinds = {re.sub(r"\d+", "0", path.partition("?")[0]) for path in seen}
    assert {"/flaws/0", "/instruments/0/card", "/sensors/0/salt-check", "/materials/toner-can",
            "/outlook/kabine", "/settings/people/0", "/rejects", "/plan"} <= kinds  # fmt: skip
    left = {
        (text, re.sub(r"\d+", "0", path))
        for path, (german, other) in seen.items()
        for text in english.left(german.said, other.said)
    }
    assert sorted(left) == []


@pytest.mark.parametrize(
    ("path", "fields", "said"),
    [
        ("/instruments/new", {"shop_number": "41", "kind": "x", "schedule": "lacquer-clear"},
         "Werkstattnummer 41 ist vergeben"),
        ("/instruments/1/coat", {"wet": "dick"}, "ist keine Zahl"),
        ("/instruments/1/coat", {"retarder_pct": "180"}, "darf höchstens 100 sein"),
        ("/instruments/1/coat", {"material": "tinte"}, "Material &#39;tinte&#39; nicht bekannt"),
        ("/instruments/1/step", {"step": "wachsen"}, "hat keinen Schritt"),
        ("/instruments/1/hang", {"place": "mond"}, "es gibt keinen Platz"),
        ("/settings/people/1/channels", {"kind": "webhook", "url": "ftp://x"}, "muss mit"),
        ("/places/new", {"id": "kabine", "name": "x", "kind": "booth"}, "es gibt schon einen"),
    ],
)  # fmt: skip
def test_what_is_refused_is_refused_in_german(
    busy: LiveShop, english: English, path: str, fields: dict[str, str], said: str
) -> None:
    if path.endswith("channels"):
        from service.notify.channels.webhook import Webhook
        from service.notify.outward import Outward

        busy.senders["webhook"] = Webhook(Outward(), busy.clock)
    refused = busy.http.post(path, data=fields, headers=SPOKEN["de"])
    assert refused.status_code in {409, 422}, refused.text
    assert said in refused.text
    assert english.left(Page(refused.text).said) == []


def test_a_decimal_comma_is_taken(busy: LiveShop) -> None:
    before = len(busy.desk.log(3))
    answer = busy.http.post(
        "/instruments/3/coat",
        data={"material": "shellac-french-polish", "wet": "12,5", "retarder_pct": "2,5",
              "place": "kabine"},
        headers=SPOKEN["de"],
    )  # fmt: skip
    assert answer.status_code == 303, answer.text
    entries = busy.desk.log(3)
    assert len(entries) == before + 2, "the coat, and where it hangs now"
    assert 12.5 in {row.wet_um for row in entries}


def test_a_part_is_kept_as_the_record_knows_it(busy: LiveShop) -> None:
    assert {row.part for row in busy.desk.flaws()} == {"top", "", "headstock"}


def test_the_report_on_paper_is_german(busy: LiveShop, english: English) -> None:
    picture = io.BytesIO()
    Image.linear_gradient("L").convert("RGB").save(picture, "JPEG")
    files = {"photo": ("a.jpg", picture.getvalue(), "image/jpeg")}
    assert busy.http.post("/api/v1/flaws/1/photos", files=files).status_code == 201
    for flaw in (1, 2, 3):
        answer = busy.http.get(f"/flaws/{flaw}/report.pdf", headers=SPOKEN["de"])
        read = PdfReader(io.BytesIO(answer.content))
        lines = [line for page in read.pages for line in page.extract_text().splitlines()]
        assert "Was dahinterstecken kann" in lines or any("dahinter" in line for line in lines)
        assert english.left(line for line in lines if "verify-evidence" not in line) == []


def test_messages_calendar_and_mail_are_german(busy: LiveShop, english: English) -> None:
    kept = busy.senders["email"]
    assert isinstance(kept, Kept)
    assert kept.got, "nothing was sent"
    for sent in kept.got:
        assert english.left([sent.title, sent.more, sent.seen, *sent.body.splitlines()]) == []
    page = busy.http.get("/settings/calendar", headers=SPOKEN["de"]).text
    found = re.search(r"/calendar/[\w-]+\.ics\?lang=de", page)
    assert found is not None
    feed = busy.http.get(found[0]).text.replace("\r\n ", "")
    told = [
        part.replace("\\,", ",").replace("\\;", ";")
        for name, text in re.findall(r"^(SUMMARY|DESCRIPTION):(.*)\r$", feed, re.MULTILINE)
        for part in text.split("\\n")
        if not part.startswith("http")
    ]
    assert told
    assert english.left(told) == []


def test_english_is_seen_where_it_stands(english: English) -> None:
    for text in (
        "Wet film over dew point",
        "Coat 3 had 83 % of its wait bis zum Schleifen behind it (70 to 99 %), in 2 h.",
        "Adjusted by the foreman",
        "12.5 µm",
        "3 pieces ready to sand",
    ):
        assert english.left([text]) != [], text
    assert english.left(["Emergency stop"], ["Emergency stop"]) == ["Emergency stop"]
    for text in ("Nassfilm über Taupunkt", "12,5 µm", "192.168.1.7", "Tenor-Ukulele, Fichte", "A5"):
        assert english.left([text], [text]) == [] or text == "Nassfilm über Taupunkt", text
