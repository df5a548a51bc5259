"""Evidence over HTTP is what the history says, to the digit; flaws found, changed, taken back."""

from __future__ import annotations

import io
import math
from collections.abc import Iterator
from datetime import datetime, timedelta
from pathlib import Path
from typing import Any

import databases
import pytest
from PIL import Image
from pypdf import PdfReader
from shopkit import LiveShop, live_shop
from typer.testing import CliRunner

from service.cli import cli
from service.shop.evidence.then import plain
from service.store.catalogue import load_catalogue
from service.store.flaw_book import FlawBook
from service.store.rebuilding import rebuild
from service.web.guard import MOST_BYTES

API = "/api/v1"
LACQUER = "nitro-lacquer-gun"


def air_until_now(shop: LiveShop, hours: float, place: str = "booth", damp: float = 0.0) -> None:
    """Air that goes up and down, a reading every two minutes, so that no two rows are alike."""
    now = shop.clock.now()
    rows = []
    for n in range(int(hours * 30), -1, -1):
        t = n / 30
        air = 21.0 + 2.0 * math.sin(t / 3.0) + 0.05 * math.sin(7.0 * t)
        rh = 48.0 + damp - 6.0 * math.sin(t / 3.0) + 0.2 * math.cos(5.0 * t)
        rows.append((now - timedelta(minutes=2 * n), round(air, 2), round(rh, 1)))
    shop.read_many(rows, place, "probe", 20.0)


@pytest.fixture
def flawed(tmp_path: Path) -> Iterator[LiveShop]:
    """A piece with three coats over five hours in a day and a half of air, and a flaw on it."""
    with live_shop(tmp_path) as shop:
        air_until_now(shop, 36)
        piece = shop.add_piece()
        now = shop.clock.now()
        for hours, more in ((9.0, {}), (5.1, {"batch": "A7"}), (4.3, {"distance_cm": 30.0})):
            shop.work.record_coat(
                piece, material_id=LACQUER, at=now - timedelta(hours=hours), who="bench", **more
            )
        shop.work.flaws.log(piece, kind="blush", note="milky")
        yield shop


def evidence(shop: LiveShop, flaw: int = 1) -> dict[str, Any]:
    answer = shop.http.get(f"{API}/flaws/{flaw}/evidence")
    assert answer.status_code == 200, answer.text
    found: dict[str, Any] = answer.json()
    return found


def history(shop: LiveShop, place: str, begin: str, end: str) -> list[dict[str, Any]]:
    """Rows of five minutes from one instant until before another, as anybody may ask for them."""
    until = datetime.fromisoformat(end) - timedelta(milliseconds=1)
    answer = shop.http.get(
        f"{API}/places/{place}/history",
        params={"from": begin, "to": until.isoformat(), "resolution": "5m"},
    )
    assert answer.status_code == 200, answer.text
    rows: list[dict[str, Any]] = answer.json()
    return rows


def same_instant(one: str, other: str) -> bool:
    return datetime.fromisoformat(one) == datetime.fromisoformat(other)


def agrees_with_the_history(shop: LiveShop, coat: dict[str, Any]) -> None:
    place = coat["place_id"]
    at = coat["air_at"]
    later = (datetime.fromisoformat(at["from_at"]) + timedelta(minutes=5)).isoformat()
    (row,) = history(shop, place, at["from_at"], later)
    assert same_instant(row["at"], at["from_at"])
    assert at["air_c"] == row["air_c"]["mean"]
    assert at["rh_pct"] == row["rh_pct"]["mean"]
    assert at["surface_c"] == row["surface_c"]
    assert at["dew_point_c"] == row["dew_point_c"]
    assert at["readings"] == row["count"]
    for span in (coat["before"], coat["after"]):
        rows = history(shop, place, span["from_at"], span["until_at"])
        count = sum(r["count"] for r in rows)
        assert span["readings"] == count
        for name in ("air_c", "rh_pct"):
            assert span[name]["min"] == min(r[name]["min"] for r in rows)
            assert span[name]["max"] == max(r[name]["max"] for r in rows)
            mean = math.fsum(r["count"] * r[name]["mean"] for r in rows) / count
            # A sum in another order may differ in the last bit of a double, and by no more.
            assert span[name]["mean"] == pytest.approx(mean, rel=1e-14)


def test_the_air_of_every_coat_is_what_the_history_says(flawed: LiveShop) -> None:
    coats = evidence(flawed)["evidence"]["coats"]
    assert len(coats) == 3
    for coat in coats:
        agrees_with_the_history(flawed, coat)
    assert [c["named"] for c in coats] == [False, False, True]  # blush: the newest
    assert coats[0]["after_ends"] == "recoat"
    assert coats[1]["waited"]["mark"] == "recoat"
    assert coats[2]["waited"]["coat_id"] == coats[1]["coat_id"]
    assert coats[2]["waited"]["waited_h"] == pytest.approx(0.8)
    assert coats[2]["after_ends"] == "flaw"


def test_it_is_the_same_after_a_rebuild_and_a_restart(flawed: LiveShop) -> None:
    before = evidence(flawed)
    assert rebuild(flawed.db, check=False).same
    assert evidence(flawed) == before
    anew = FlawBook(flawed.db, flawed.clock, load_catalogue(), flawed.desk.facts.pressure_pa)
    assert plain(anew.evidence(1)) == plain(flawed.work.flaws.evidence(1))  # nothing from memory
    assert before["changed"] == []
    assert before["digest"] == before["digest_then"]


def test_a_later_correction_is_laid_over_it_and_said(flawed: LiveShop) -> None:
    before = evidence(flawed)
    first = before["evidence"]["coats"][0]
    flawed.jump(hours=2)
    answer = flawed.http.post(
        f"{API}/sensors/1/corrections",
        json={
            "method": "typed in",
            "quantity": "rh_pct",
            "slope": 1.0,
            "offset": 9.0,
            "from_at": (datetime.fromisoformat(first["at"]) - timedelta(hours=1)).isoformat(),
        },
    )
    assert answer.status_code == 201, answer.text
    after = evidence(flawed)
    for coat in after["evidence"]["coats"]:
        agrees_with_the_history(flawed, coat)
    for was, now in zip(before["evidence"]["coats"], after["evidence"]["coats"], strict=True):
        assert now["air_at"]["rh_pct"] == pytest.approx(was["air_at"]["rh_pct"] + 9.0)
        assert now["film_at"]["blush_margin_k"] < was["film_at"]["blush_margin_k"]
        assert now["told_air"] == was["told_air"]  # what was told then stays as it was told
    # Only the last of the six hours before the first coat is corrected.
    assert after["evidence"]["coats"][0]["before"]["rh_pct"]["min"] < 55
    (correction,) = after["evidence"]["corrections"]
    assert correction["in_force"]
    assert correction["later"]
    assert correction["offset"] == 9.0
    changed = {(c["coat_id"], c["what"]): c for c in after["changed"]}
    assert changed[first["coat_id"], "rh_pct"]["was"] == first["air_at"]["rh_pct"]
    # The digest is of what was sent: a correction does not touch it.
    assert after["digest"] == before["digest"] == after["digest_then"]
    page = flawed.http.get("/flaws/1").text
    assert "Has since been corrected" in page
    assert "Not what it was when it was logged" in page
    assert flawed.http.delete(f"{API}/sensors/1/corrections/1").status_code == 204
    undone = evidence(flawed)
    assert undone["evidence"]["coats"] == before["evidence"]["coats"]
    assert undone["evidence"]["corrections"] == []


def test_the_air_of_a_coat_is_to_the_digit_what_the_api_says_through_correction_and_rebuild(
    flawed: LiveShop,
) -> None:
    def as_the_api_says() -> list[dict[str, Any]]:
        coats: list[dict[str, Any]] = evidence(flawed)["evidence"]["coats"]
        for coat in coats:
            agrees_with_the_history(flawed, coat)
        return coats

    sent = as_the_api_says()
    assert rebuild(flawed.db, check=False).same
    assert as_the_api_says() == sent
    flawed.jump(hours=2)
    answer = flawed.http.post(
        f"{API}/sensors/1/corrections",
        json={"method": "typed in", "quantity": "rh_pct", "slope": 1.02, "offset": -3.7,
              "from_at": (flawed.clock.now() - timedelta(hours=30)).isoformat()},
    )  # fmt: skip
    assert answer.status_code == 201, answer.text
    corrected = as_the_api_says()
    for was, now in zip(sent, corrected, strict=True):
        # By hand: what was sent, times the slope, plus the offset; rows are means of such.
        expected = 1.02 * was["air_at"]["rh_pct"] - 3.7
        assert now["air_at"]["rh_pct"] == pytest.approx(expected, abs=1e-9)
        assert now["air_at"]["air_c"] == was["air_at"]["air_c"]
    assert rebuild(flawed.db, check=False).same
    assert as_the_api_says() == corrected
    anew = FlawBook(flawed.db, flawed.clock, load_catalogue(), flawed.desk.facts.pressure_pa)
    assert plain(anew.evidence(1)) == plain(flawed.work.flaws.evidence(1))
    pages = PdfReader(io.BytesIO(flawed.http.get("/flaws/1/report.pdf").content)).pages
    report = " ".join(" ".join(page.extract_text() for page in pages).split())
    assert "Has since been corrected" in report
    assert "1.0200 × sent − 3.70 % RH" in report
    for was, now in zip(sent, corrected, strict=True):
        # Both figures of every coat whose air is another now.
        humidity = f"was {was['air_at']['rh_pct']:.1f} %, now {now['air_at']['rh_pct']:.1f} %"
        assert humidity in report


def test_a_correction_that_held_then_and_was_undone_is_said(tmp_path: Path) -> None:
    with live_shop(tmp_path) as shop:
        air_until_now(shop, 12)
        piece = shop.add_piece()
        begin = (shop.clock.now() - timedelta(hours=11)).isoformat()
        shop.http.post(
            f"{API}/sensors/1/corrections",
            json={"method": "typed in", "quantity": "rh_pct", "slope": 1.0, "offset": 4.0,
                  "from_at": begin},
        )  # fmt: skip
        shop.work.record_coat(piece, material_id=LACQUER, at=shop.clock.now() - timedelta(hours=2))
        shop.work.flaws.log(piece, kind="blush")
        (then,) = evidence(shop)["evidence"]["corrections"]
        assert (then["in_force"], then["later"]) == (True, False)
        shop.jump(minutes=5)
        shop.http.delete(f"{API}/sensors/1/corrections/1")
        found = evidence(shop)
        (now,) = found["evidence"]["corrections"]
        assert (now["in_force"], now["later"]) == (False, True)
        assert {c["what"] for c in found["changed"]} >= {"rh_pct", "dew_point_c"}
        assert "is not any more" in shop.http.get("/flaws/1").text


def test_the_digest_is_checked_by_a_command_and_a_late_reading_is_found_out(
    flawed: LiveShop, monkeypatch: pytest.MonkeyPatch
) -> None:
    databases.set_in(monkeypatch, flawed.settings.data)

    def verify(flaw: str, digest: str) -> Any:
        return CliRunner().invoke(cli, ["verify-evidence", flaw, digest])

    digest = evidence(flawed)["digest"]
    same = verify("1", digest)
    assert same.exit_code == 0
    assert "flaw 1: the same: 3 coats" in same.output
    assert verify("1", digest.upper()).exit_code == 0
    other = verify("1", "0" * 64)
    assert other.exit_code == 1
    assert digest in other.output
    assert verify("1", "beef").exit_code == 2
    assert verify("7", digest).exit_code == 2
    late = flawed.clock.now() - timedelta(hours=9, minutes=1)
    flawed.read(21.4, 47.7, sensor="second", at=late)
    changed = verify("1", digest)
    assert changed.exit_code == 1
    assert "not the same" in changed.output


def test_flaws_are_found_by_piece_kind_material_batch_month_and_air(flawed: LiveShop) -> None:
    second = flawed.add_piece("42")
    flawed.work.record_coat(second, material_id="vinyl-sealer-can", batch="B2")
    flawed.work.flaws.log(second, kind="runs")

    def found(**asked: Any) -> list[int]:
        answer = flawed.http.get(f"{API}/flaws", params=asked)
        assert answer.status_code == 200, answer.text
        return sorted(flaw["id"] for flaw in answer.json())

    assert found() == [1, 2]
    assert found(instrument=second) == [2]
    assert found(kind="blush") == [1]
    assert found(material="vinyl-sealer-can") == [2]
    assert found(batch="B2") == [2]
    # Blush was put down to the newest coat, which names no batch.
    assert found(batch="A7") == []
    flawed.http.patch(f"{API}/flaws/1", json={"coat": None})
    assert found(batch="A7") == [1]
    now = flawed.clock.now()
    assert found(month=f"{now:%Y-%m}") == [1, 2]
    assert found(month="2024-12") == []
    flawed.http.patch(f"{API}/flaws/1", json={"coat": 3})
    rh = evidence(flawed)["evidence"]["coats"][2]["air_at"]["rh_pct"]
    assert 1 in found(rh_from=rh - 0.1, rh_to=rh + 0.1)
    assert 1 not in found(rh_from=rh + 0.1)
    assert 1 not in found(rh_to=rh - 0.1)
    assert found(air_from=59) == []
    assert found(kind="blush", material="vinyl-sealer-can") == []
    for asked, field in (
        ({"kind": "ghost"}, "kind"), ({"month": "March"}, "month"), ({"rh_from": 200}, "rh_from"),
    ):  # fmt: skip
        answer = flawed.http.get(f"{API}/flaws", params=asked)
        assert answer.status_code == 422
        assert answer.json()["errors"][0]["field"] == field
    page = flawed.http.get("/flaws", params={"kind": "runs", "batch": "", "rh_from": ""}).text
    assert "/flaws/2" in page
    assert "/flaws/1" not in page
    wrong = flawed.http.get("/flaws", params={"rh_from": "damp"})
    assert wrong.status_code == 422
    assert "unable to parse string as a number" in wrong.text


def test_details_are_put_right_one_by_one_and_what_was_kept_stays(flawed: LiveShop) -> None:
    kept = flawed.work.flaws.flaw(1).evidence
    url = f"{API}/flaws/1"
    for change in (
        {"part": "back"}, {"severity": 3}, {"note": "by the tail"}, {"who": "bench 2"},
        {"kind": "pinholes"}, {"coat": 1},
    ):  # fmt: skip
        answer = flawed.http.patch(url, json=change).json()
        assert {name: answer[name] for name in change} == change
    flaw = flawed.http.get(url).json()
    assert (flaw["part"], flaw["severity"], flaw["kind"], flaw["coat"]) == (
        "back", 3, "pinholes", 1,
    )  # fmt: skip
    assert flawed.work.flaws.flaw(1).evidence == kept
    for wrong, field in (
        ({"severity": 9}, "severity"), ({"kind": "ghost"}, "kind"), ({"coat": 99}, "coat"),
        ({"seen_at": "2031-01-01T00:00:00Z"}, "seen_at"), ({"colour": 1}, "colour"),
    ):  # fmt: skip
        answer = flawed.http.patch(url, json=wrong)
        assert answer.status_code == 422
        assert answer.json()["errors"][0]["field"] == field
    assert flawed.http.patch(f"{API}/flaws/99", json={}).status_code == 404


def test_a_flaw_taken_back_stays_and_counts_no_more(flawed: LiveShop) -> None:
    assert flawed.http.delete(f"{API}/flaws/1").status_code == 204
    assert flawed.http.delete(f"{API}/flaws/1").status_code == 409
    assert flawed.http.get(f"{API}/flaws").json() == []
    assert flawed.http.get(f"{API}/flaws/1").json()["undone_at"] is not None
    assert "Taken back" in flawed.http.get("/flaws/1").text


def jpeg(color: str = "red", width: int = 60) -> bytes:
    out = io.BytesIO()
    Image.new("RGB", (width, 40), color).save(out, "JPEG", comment=b"Secret Owner")
    return out.getvalue()


def send(shop: LiveShop, data: bytes, name: str = "../../etc/p.html", flaw: int = 1) -> Any:
    files = {"photo": (name, data, "text/html")}
    return shop.http.post(f"{API}/flaws/{flaw}/photos", files=files, data={"who": "bench"})


def test_a_photo_is_kept_under_its_digest_and_served_as_what_it_is(flawed: LiveShop) -> None:
    answer = send(flawed, jpeg())
    assert answer.status_code == 201, answer.text
    photo = answer.json()
    assert (photo["width_px"], photo["height_px"], photo["who"]) == (60, 40, "bench")
    got = flawed.http.get(photo["address"])
    assert got.headers["content-type"] == "image/jpeg"
    assert got.headers["x-content-type-options"] == "nosniff"
    assert got.headers["content-security-policy"].startswith("default-src 'none'")
    assert "p.html" not in str(got.headers)
    assert len(got.content) == photo["size_bytes"]
    assert b"Secret" not in got.content
    assert flawed.http.get(photo["small"]).status_code == 200
    files = [p.name for p in (Path(flawed.settings.data) / "photos").rglob("*.jpg")]
    assert sorted(files) == [f"{photo['digest']}-small.jpg", f"{photo['digest']}.jpg"]
    assert send(flawed, jpeg()).json()["id"] == photo["id"]  # twice is once
    assert flawed.http.get(f"{API}/flaws/1").json()["photos"] == [photo]
    assert photo["address"] in flawed.http.get("/flaws/1").text
    assert photo["small"] in flawed.http.get("/flaws").text


def test_a_photo_taken_back_is_not_shown_and_may_come_again(flawed: LiveShop) -> None:
    photo = send(flawed, jpeg()).json()
    address = photo["address"]
    assert flawed.http.delete(address).status_code == 204
    assert flawed.http.delete(address).status_code == 409
    assert flawed.http.get(address).status_code == 404
    assert flawed.http.get(f"{API}/flaws/1").json()["photos"] == []
    again = send(flawed, jpeg()).json()
    assert again["id"] != photo["id"]
    assert flawed.http.get(again["address"]).status_code == 200
    assert flawed.http.get(f"{API}/flaws/2/photos/{again['id']}").status_code == 404


def test_photos_that_cannot_be_kept_are_refused_by_name(flawed: LiveShop) -> None:
    cut = send(flawed, jpeg()[:200])
    assert cut.status_code == 422
    assert cut.json()["errors"][0]["field"] == "photo"
    assert send(flawed, b"<script>", "photo.jpg").status_code == 422
    assert send(flawed, jpeg(), flaw=9).json()["errors"][0]["field"] == "flaw"
    assert flawed.http.post(f"{API}/flaws/1/photos").json()["errors"][0]["field"] == "photo"
    large = send(flawed, jpeg() + b"\0" * 20_000_001)
    assert large.status_code in {413, 422}
    assert flawed.http.get(f"{API}/flaws/1").json()["photos"] == []
    # Two megabytes pass here and nowhere else.
    padded = send(flawed, jpeg() + b"\0" * (2 * MOST_BYTES))
    assert padded.status_code == 201
    elsewhere = flawed.http.post(f"{API}/flaws", content=b"0" * (2 * MOST_BYTES))
    assert elsewhere.status_code == 413


def test_the_form_keeps_a_photo_and_says_what_was_wrong(flawed: LiveShop) -> None:
    page = {"accept": "text/html"}
    files = {"photo": ("a.jpg", jpeg("blue"), "image/jpeg")}
    answer = flawed.http.post("/flaws/1/photos", files=files, headers=page)
    assert answer.status_code == 303
    assert "The photo is kept" in flawed.http.get(answer.headers["location"]).text
    for name, data in (("a.jpg", b"no picture"), ("", b"")):
        wrong = flawed.http.post(
            "/flaws/1/photos", files={"photo": (name, data, "image/jpeg")}, headers=page
        )
        assert wrong.status_code == 422
        assert 'id="photo-wrong"' in wrong.text
    back = flawed.http.post("/flaws/1/photos/1/undo", headers=page)
    assert back.status_code == 303
    assert flawed.http.get(f"{API}/flaws/1").json()["photos"] == []


def test_kinds_are_told_with_remedies_and_the_data_sheet_comes_first(flawed: LiveShop) -> None:
    kinds = flawed.http.get(f"{API}/flaw-kinds").json()
    assert [k["id"] for k in kinds][:2] == ["blush", "pinholes"]
    assert all(k["basis"] == "common practice" and k["remedies"] and k["cautions"] for k in kinds)
    page = flawed.http.get("/flaws/1").text
    assert "Follow the data sheet of the material first" in page
    assert kinds[0]["remedies"][0] in page


def test_a_shop_without_readings_has_evidence_that_knows_nothing(tmp_path: Path) -> None:
    with live_shop(tmp_path) as shop:
        shop.work.add_place("booth")
        piece = shop.add_piece()
        shop.work.flaws.log(piece, kind="open_seams")
        bare = evidence(shop)["evidence"]
        assert bare["coats"] == []
        assert bare["swings"] is bare["wood"] is bare["film"] is bare["beside"] is None
        shop.work.record_coat(piece, material_id=LACQUER, at=shop.clock.now() - timedelta(hours=1))
        found = evidence(shop)
        (coat,) = found["evidence"]["coats"]
        assert coat["air_at"] is coat["film_at"] is coat["cooled_k"] is None
        assert coat["before"]["missing_share"] == 1.0
        assert "no reading near the coat" in found["evidence"]["not_known"]
        assert [c["what"] for c in found["changed"]] == ["coat"]
        assert shop.http.get("/flaws/1").status_code == 200
