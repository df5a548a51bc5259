"""Bad input of every kind: a problem (RFC 9457) that names the field, and nothing lost."""

from __future__ import annotations

from collections.abc import Iterator
from typing import Any

import httpx
import pytest
from shopkit import LiveShop, live_shop

API = "/api/v1"
FUTURE = "2035-01-01T00:00:00Z"


@pytest.fixture(scope="module")
def shop(tmp_path_factory: pytest.TempPathFactory) -> Iterator[LiveShop]:
    """A shop with one piece, the same for all: what is refused changes nothing."""
    with live_shop(tmp_path_factory.mktemp("shop")) as made:
        made.read_day("booth", 22.0, 45.0)
        made.add_piece()
        yield made


PIECE = 1


def assert_problem(answer: httpx.Response, status: int, field: str | None = None) -> None:
    """RFC 9457, section 3: media type, and the members with the types it gives them."""
    assert answer.status_code == status, answer.text
    assert answer.headers["content-type"] == "application/problem+json"
    body = answer.json()
    assert isinstance(body["type"], str)
    assert isinstance(body["title"], str)
    assert isinstance(body["detail"], str)
    assert body["status"] == status
    if field is not None:
        assert field in [error["field"] for error in body["errors"]], body
        assert all(error["reason"] for error in body["errors"])


COATS: list[tuple[str, str]] = [
    ('{"wet_um": -80}', "wet_um"),
    ('{"wet_um": 0}', "wet_um"),
    ('{"wet_um": 2}', "wet_um"),
    ('{"wet_um": 1e9}', "wet_um"),
    ('{"wet_um": NaN}', "wet_um"),
    ('{"wet_um": Infinity}', "wet_um"),
    ('{"wet_um": -Infinity}', "wet_um"),
    ('{"wet_um": "thick"}', "wet_um"),
    ('{"wet_um": true}', "wet_um"),
    ('{"wet_um": []}', "wet_um"),
    ('{"passes": 0}', "passes"),
    ('{"passes": 21}', "passes"),
    ('{"passes": 1.5}', "passes"),
    ('{"retarder_pct": -1}', "retarder_pct"),
    ('{"retarder_pct": 50}', "retarder_pct"),
    ('{"material": "varnish-of-dreams"}', "material"),
    ('{"material": ""}', "material"),
    ('{"place": "cellar"}', "place"),
    ('{"place": "../etc"}', "place"),
    ('{"at": "yesterday"}', "at"),
    ('{"at": "2025-03-12T08:00:00"}', "at"),
    (f'{{"at": "{FUTURE}"}}', "at"),
    ('{"at": "1999-01-01T00:00:00Z"}', "at"),
    (f'{{"who": "{"x" * 81}"}}', "who"),
    (f'{{"note": "{"x" * 2001}"}}', "note"),
    ('{"thickness": 80}', "thickness"),
    ("[]", "body"),
    ('"coat"', "body"),
    ("{", "body"),
    ("", "body"),
    ("\x00\x01\x02", "body"),
]


@pytest.mark.parametrize(("payload", "field"), COATS)
def test_a_coat_that_cannot_be_is_refused_by_field_and_nothing_is_recorded(
    shop: LiveShop, payload: str, field: str
) -> None:
    answer = shop.http.post(
        f"{API}/instruments/{PIECE}/coats",
        content=payload.encode(),
        headers={"content-type": "application/json"},
    )
    assert_problem(answer, 422, field)
    assert shop.http.get(f"{API}/instruments/{PIECE}/coats").json() == []


LUTE = {"shop_number": "9", "kind": "lute", "schedule": "lacquer-clear"}

OTHERS: list[tuple[str, dict[str, Any], int, str]] = [
    ("places", {"id": "Booth 1"}, 422, "id"),
    ("places", {"id": "notices"}, 422, "id"),
    ("places", {"id": "booth"}, 409, "id"),
    ("places", {}, 422, "id"),
    ("places", {"id": "cellar", "kind": "cave"}, 422, "kind"),
    ("places", {"id": "cellar", "volume_m3": -2}, 422, "volume_m3"),
    ("places", {"id": "cellar", "volume_m3": 0.01}, 422, "volume_m3"),
    ("instruments", {"kind": "lute", "schedule": "lacquer-clear"}, 422, "shop_number"),
    ("instruments", LUTE | {"schedule": "none"}, 422, "schedule"),
    ("instruments", LUTE | {"shop_number": " "}, 422, "shop_number"),
    ("instruments", LUTE | {"shop_number": "41"}, 409, "shop_number"),
    ("instruments", LUTE | {"plate_mm": 0}, 422, "plate_mm"),
    ("instruments", LUTE | {"place": "cellar"}, 422, "place"),
    ("instruments/1/hang", {"place": "cellar"}, 422, "place"),
    ("instruments/1/hang", {}, 422, "place"),
    ("instruments/1/steps", {"step": "polish-the-moon"}, 422, "step"),
    ("instruments/99/coats", {}, 404, "instrument"),
    ("instruments/99/undo", {}, 404, "instrument"),
    ("flaws", {"instrument": 1, "kind": "haunted"}, 422, "kind"),
    ("flaws", {"instrument": 1, "kind": "blush", "severity": 4}, 422, "severity"),
    ("flaws", {"instrument": 1, "kind": "blush", "coat": 77}, 422, "coat"),
    ("flaws", {"instrument": 99, "kind": "blush"}, 422, "instrument"),
    ("flaws", {"instrument": 1, "kind": "blush", "seen_at": FUTURE}, 422, "seen_at"),
    ("clock", {"rate": 0.5}, 422, "rate"),
    ("clock", {"rate": 1e9}, 422, "rate"),
    ("notices/7/seen", {}, 404, "notice"),
]  # fmt: skip


@pytest.mark.parametrize(("path", "body", "status", "field"), OTHERS)
def test_writes_that_cannot_be_name_the_field(
    shop: LiveShop, path: str, body: dict[str, Any], status: int, field: str
) -> None:
    before = everything(shop)
    assert_problem(shop.http.post(f"{API}/{path}", json=body), status, field)
    assert everything(shop) == before


def everything(shop: LiveShop) -> list[Any]:
    """What the shop holds that a write could have changed."""
    piece = shop.desk.card(PIECE)
    return [
        [place.id for place in shop.desk.places()],
        [card.shop_number for card in shop.desk.cards()],
        [piece.place_id, piece.steps_done, shop.desk.log(PIECE)],
        shop.desk.flaws(),
        shop.clock.rate,
    ]


CHECK = "places/booth/spray-check?material=nitro-lacquer-gun"
READS: list[tuple[str, int, str | None]] = [
    ("places/cellar", 404, "place"),
    ("places/cellar/air", 404, "place"),
    ("places/cellar/history", 404, "place"),
    ("places/cellar/spray-check?material=nitro-lacquer-gun", 404, "place"),
    ("places/booth/spray-check", 422, "material"),
    ("places/booth/spray-check?material=varnish-of-dreams", 422, "material"),
    ("places/booth/spray-check?material=fingerboard-oil", 422, "material"),
    (f"{CHECK}&wet_um=-1", 422, "wet_um"),
    (f"{CHECK}&wet_um=nan", 422, "wet_um"),
    (f"{CHECK}&wet_um=inf", 422, "wet_um"),
    (f"{CHECK}&wet_um=1", 422, "wet_um"),
    (f"{CHECK}&retarder_pct=90", 422, "retarder_pct"),
    (f"{CHECK}&plate_mm=0", 422, "plate_mm"),
    (f"{CHECK}&instrument=99", 422, "instrument"),
    (f"{CHECK}&instrument=x", 422, "instrument"),
    ("places/booth/history?resolution=soon", 422, "resolution"),
    ("places/booth/history?resolution=1s&from=2020-01-01T00:00:00Z", 422, "resolution"),
    ("places/booth/history?points=1", 422, "points"),
    ("places/booth/history?from=2025-01-01", 422, "from"),
    ("places/booth/history?from=2025-03-02T00:00:00Z&to=2025-03-01T00:00:00Z", 422, "from"),
    ("instruments/99", 404, "instrument"),
    ("instruments/99/coats", 404, "instrument"),
    ("instruments/99/ready", 404, "instrument"),
    ("instruments/forty-one", 422, "instrument"),
    ("materials/none", 404, None),
    ("schedules/none", 404, None),
    ("flaws/99", 404, "flaw"),
    ("notices?limit=0", 422, "limit"),
    ("rejects?limit=1000000", 422, "limit"),
    ("nothing/here", 404, None),
]


@pytest.mark.parametrize(("path", "status", "field"), READS)
def test_questions_that_cannot_be_name_the_field(
    shop: LiveShop, path: str, status: int, field: str | None
) -> None:
    answer = shop.http.get(f"{API}/{path}", headers={"accept": "text/html"})
    assert_problem(answer, status, field)  # the API never answers with a page


def test_a_wrong_method_says_which_are_allowed(shop: LiveShop) -> None:
    answer = shop.http.put(f"{API}/places", json={})
    assert_problem(answer, 405)
    assert "GET" in answer.headers["allow"]


def test_a_browser_gets_a_page_and_a_program_a_problem_for_the_same_error(
    shop: LiveShop,
) -> None:
    page = shop.http.get("/instruments/99", headers={"accept": "text/html,*/*;q=0.8"})
    assert page.status_code == 404
    assert page.headers["content-type"].startswith("text/html")
    assert "there is no instrument 99" in page.text
    assert_problem(shop.http.get("/instruments/99", headers={"accept": "*/*"}), 404)


def test_a_body_nested_beyond_reason_is_refused(shop: LiveShop) -> None:
    answer = shop.http.post(
        f"{API}/instruments/{PIECE}/coats",
        content=b"[" * 200_000,
        headers={"content-type": "application/json"},
    )
    assert answer.status_code in {400, 422}  # which one depends on how deep Python goes
    assert_problem(answer, answer.status_code, "body")


def test_what_nobody_expected_is_a_problem_that_tells_nothing_of_the_inside(
    shop: LiveShop, monkeypatch: pytest.MonkeyPatch, caplog: pytest.LogCaptureFixture
) -> None:
    def breaks() -> None:
        raise RuntimeError("secret path /srv/shop.sqlite")

    monkeypatch.setattr(shop.desk, "places", breaks)
    answer = shop.http.get(f"{API}/places")
    assert_problem(answer, 500)
    assert "secret" not in answer.text
    assert answer.headers["x-content-type-options"] == "nosniff"
    assert "secret path" in caplog.text
