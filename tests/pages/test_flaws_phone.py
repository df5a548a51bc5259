"""A flaw on a phone: two taps, undo, details that save by themselves, a photo, with and without
script."""

from __future__ import annotations

import io
import re
from datetime import timedelta
from typing import Any

import pytest
from offlinekit import settle
from PIL import Image
from playwright.sync_api import expect

pytestmark = pytest.mark.real


def photo() -> dict[str, Any]:
    out = io.BytesIO()
    Image.new("RGB", (600, 400), "#c98b3a").save(out, "JPEG")
    return {"name": "IMG_1.jpg", "mimeType": "image/jpeg", "buffer": out.getvalue()}


@pytest.fixture
def coated(bench: Any) -> Any:
    """Two coats on number 41, an hour apart."""
    now = bench.clock.now()
    for hours in (4, 3):
        bench.work.record_coat(1, material_id="nitro-lacquer-gun", at=now - timedelta(hours=hours))
    return bench


@pytest.mark.parametrize("script", [True, False])
def test_two_taps_log_it_and_one_takes_it_back(coated: Any, open_page: Any, script: bool) -> None:
    page = open_page(java_script_enabled=script).go("/instruments/1")
    page.get_by_role("link", name="Flaw", exact=True).click()
    page.get_by_role("button", name=re.compile("^Blush")).click()
    expect(page.get_by_role("heading", level=1)).to_have_text("Blush")
    expect(page.locator("#flash")).to_contain_text("Recorded")
    (flaw,) = coated.desk.flaws()
    assert (flaw.kind, flaw.part, flaw.coat_id) == ("blush", "", 2)  # the newest coat
    assert abs(flaw.seen_at - coated.clock.now()) < timedelta(minutes=1)
    page.get_by_role("button", name="Undo").click()
    expect(page.locator("main")).to_contain_text("Taken back")
    assert coated.desk.flaws() == []


def test_a_tap_on_the_camera_logs_it_with_a_photo(coated: Any, phone: Any) -> None:
    page = phone.go("/instruments")
    page.get_by_role("link", name=re.compile(r"^Flaw.*No\. 41")).click()
    page.get_by_label("With a photo: Blush").set_input_files([photo()])
    expect(page.get_by_role("heading", level=1)).to_have_text("Blush")
    expect(page.locator(".photos img")).to_have_count(1)
    expect(page.locator("#flash")).to_contain_text("Recorded")
    (flaw,) = coated.desk.flaws()
    assert (flaw.kind, flaw.coat_id) == ("blush", 2)


def test_a_photo_that_cannot_be_used_loses_no_flaw(coated: Any, open_page: Any) -> None:
    visit = open_page()
    page = visit.go("/instruments/1/flaw")
    wrong = {"name": "IMG_1.jpg", "mimeType": "image/jpeg", "buffer": b"no picture"}
    page.get_by_label("With a photo: Blush").set_input_files([wrong])
    expect(page.locator(".photo-form .wrong")).to_be_visible()
    assert [flaw.kind for flaw in coated.desk.flaws()] == ["blush"]
    assert all("422" in said for said in visit.complaints)
    visit.complaints.clear()


def test_without_connection_the_flaw_waits_with_its_photo(coated: Any, open_page: Any) -> None:
    visit = open_page()
    page = visit.go("/instruments/1/flaw")
    settle(page)
    page.context.set_offline(offline=True)
    page.get_by_label("With a photo: Blush").set_input_files([photo()])
    expect(page.locator("#waiting")).to_contain_text("With a photo: Blush", timeout=10_000)
    assert coated.desk.flaws() == []
    made = coated.clock.now()
    coated.jump(minutes=25)
    page.context.set_offline(offline=False)
    page.goto(page.url)  # the photo is on the phone, not on the page
    expect(page.locator("#waiting")).to_have_count(0, timeout=20_000)
    (flaw,) = coated.desk.flaws()
    assert flaw.kind == "blush"
    assert abs(flaw.seen_at - made) < timedelta(minutes=1), "seen when it was tapped"
    (kept,) = coated.app.state.shop.photos.of([flaw.id])
    assert (kept.width_px, kept.height_px) == (600, 400)
    assert all("ERR_" in said for said in visit.complaints)
    visit.complaints.clear()


def test_an_answer_that_is_lost_makes_no_second_flaw(coated: Any, open_page: Any) -> None:
    visit = open_page(service_workers="block")
    page = visit.go("/instruments/1/flaw")
    sent: list[str] = []

    def lose(route: Any) -> None:
        sent.append(route.request.url)
        route.fetch(max_redirects=0)  # it arrives; what it answers does not
        route.abort()

    page.route("**/flaw/blush/photo", lose, times=1)
    page.get_by_label("With a photo: Blush").set_input_files([photo()])
    expect(page.locator("#waiting")).to_contain_text("With a photo: Blush", timeout=10_000)
    assert len(coated.desk.flaws()) == 1
    expect(page.locator("#waiting")).to_have_count(0, timeout=30_000)
    (flaw,) = coated.desk.flaws()
    assert len(coated.app.state.shop.photos.of([flaw.id])) == 1
    assert len(sent) == 1
    visit.complaints.clear()


def test_a_photo_of_a_flaw_that_is_there_waits_too(coated: Any, open_page: Any) -> None:
    coated.work.flaws.log(1, kind="blush")
    visit = open_page()
    page = visit.go("/flaws/1")
    page.context.set_offline(offline=True)
    wrong = {"name": "IMG_2.jpg", "mimeType": "image/jpeg", "buffer": b"no picture"}
    for one in (photo(), wrong):
        page.get_by_label("Add a photo").set_input_files([one])
        expect(page.locator("#waiting li")).to_have_count(1 if one is not wrong else 2)
    page.context.set_offline(offline=False)
    expect(page.locator("#waiting")).to_contain_text("is no JPEG, PNG or WebP", timeout=20_000)
    expect(page.locator("#waiting li")).to_have_count(1)
    assert len(coated.app.state.shop.photos.of([1])) == 1
    page.get_by_role("button", name="Put away").click()
    expect(page.locator("#waiting")).to_have_count(0)
    visit.complaints.clear()


def test_details_follow_one_tap_each(coated: Any, phone: Any) -> None:
    coated.work.flaws.log(1, kind="blush")
    page = phone.go("/flaws/1")
    page.locator("#details summary").click()
    page.get_by_role("button", name="back", exact=True).click()
    expect(page.get_by_role("heading", level=1)).to_have_text("Blush, back")
    page.locator("#details summary").click()
    page.get_by_role("button", name="strip it").click()
    expect(page.locator(".flaw-head")).to_contain_text("strip it")
    page.locator("#details summary").click()
    page.get_by_role("textbox", name="Note").fill("by the tail")
    page.locator("form.detail", has=page.locator("textarea")).get_by_role("button").click()
    expect(page.locator("main .quote").first).to_have_text("by the tail")
    flaw = coated.work.flaws.flaw(1)
    assert (flaw.part, flaw.severity, flaw.note) == ("back", 3, "by the tail")


def test_a_photo_is_added_and_seen(coated: Any, phone: Any) -> None:
    coated.work.flaws.log(1, kind="blush")
    page = phone.go("/flaws/1")
    page.get_by_label("Add a photo").set_input_files([photo()])
    expect(page.locator("#flash")).to_contain_text("without place, time or owner")
    shown = page.locator(".photos img")
    expect(shown).to_have_count(1)
    shown.scroll_into_view_if_needed()
    expect(page.locator(".photos img").first).to_have_js_property("naturalWidth", 320)


def test_the_strip_and_the_table_tell_every_coat(coated: Any, phone: Any) -> None:
    coated.work.flaws.log(1, kind="blush")
    page = phone.go("/flaws/1")
    figure = page.locator("svg.strip-of-flaw")
    expect(figure.locator(".coat-line")).to_have_count(2)
    expect(figure.locator(".line-air, .line-dew, .line-rh, .line-wood")).to_have_count(4)
    expect(page.locator(".coats-table tbody tr")).to_have_count(2)
    expect(page.locator("#coat-2")).to_contain_text("of its wait to recoat behind it")
    assert page.locator("#coat-2").evaluate("element => element.open")
    assert not page.locator("#coat-1").evaluate("element => element.open")
