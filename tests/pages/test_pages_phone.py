"""The pages on a phone: live, tapped, cut off, and never showing an old *spray* as true now."""

from __future__ import annotations

import re
from typing import Any

import pytest
from playwright.sync_api import Page, expect

pytestmark = pytest.mark.real

CHECK = "/?place=booth&material=nitro-lacquer-gun"
SOON = 8000


def answer(page: Page) -> Any:
    """The answer that a person sees, whichever tag shows it."""
    return page.locator("#check .tag:visible .answer")


def test_the_answer_turns_by_itself_when_the_air_does(bench: Any, phone: Any) -> None:
    page = phone.go(CHECK)
    expect(answer(page)).to_have_text(re.compile("Spray"))
    bench.turn(24.0, 85.0)
    expect(answer(page)).to_have_text(re.compile("Wait"), timeout=SOON)
    expect(page.locator("#check")).to_contain_text("dew point")
    expect(page.locator("#check .ways li").first).to_be_visible()
    expect(page.locator("svg.ladder")).to_contain_text("below dew point")
    expect(page.locator("#answer-said")).to_contain_text("wait. The wet film")
    bench.turn(22.0, 35.0)
    expect(answer(page)).to_have_text(re.compile("Spray"), timeout=SOON)


def test_an_answer_that_grows_old_on_the_page_becomes_unknown_there(bench: Any, phone: Any) -> None:
    page = phone.go(CHECK)
    expect(answer(page)).to_have_text(re.compile("Spray"))
    # Shop time runs 600 times as fast from here: ten minutes, the limit, pass in a second.
    bench.clock.drive(rate=600)
    bench.hub.publish("clock", {})
    expect(answer(page)).to_have_text(re.compile("Unknown"), timeout=SOON)
    expect(page.locator("#check")).to_contain_text("no answer")


def test_the_age_ticks(bench: Any, phone: Any) -> None:
    page = phone.go(CHECK)
    age = page.locator("#check [data-age]")
    before = age.inner_text()
    expect(age).not_to_have_text(before, timeout=4000)
    assert re.fullmatch(r"\d+ s ago", age.inner_text())
    bench.jump(hours=3)  # 09:00 to 12:00 in the shop's zone, whatever the phone's own
    bench.hub.publish("clock", {})
    expect(page.locator("#shop-time")).to_have_text(re.compile("12:0"), timeout=SOON)


def test_without_connection_nothing_that_was_true_is_shown_as_true_now(
    bench: Any, open_page: Any
) -> None:
    visit = open_page()
    page = visit.go(CHECK)
    expect(answer(page)).to_have_text(re.compile("Spray"))
    expect(page.locator(".mini-word").first).to_be_visible()
    bench.stop_serving()
    expect(answer(page)).to_have_text(re.compile("Unknown"), timeout=SOON)
    expect(page.locator("#check")).to_contain_text("The service has not answered since")
    expect(page.locator("#check")).to_contain_text("The last answer was spray; it no longer counts")
    expect(page.locator(".mini-word").first).to_be_hidden()
    # A tap says that it is not recorded yet, and is when somebody answers.
    page.get_by_role("button", name=re.compile("Coat is on.*No. 41")).click()
    expect(page.locator("#flash")).to_contain_text("Not recorded yet")
    assert bench.desk.card(1).last_coat_id is None
    bench.start()
    expect(answer(page)).to_have_text(re.compile("Spray"), timeout=20_000)
    expect(page.locator("#waiting")).to_have_count(0, timeout=20_000)
    assert len([e for e in bench.desk.log(1) if e.kind == "coat"]) == 1
    # Chromium itself notes each connection that failed; nothing else may be said.
    assert all("ERR_" in said for said in visit.complaints)
    visit.complaints.clear()


def test_a_service_that_takes_questions_and_never_answers_counts_as_gone(
    bench: Any, open_page: Any
) -> None:
    visit = open_page()
    page = visit.go(CHECK)
    expect(answer(page)).to_have_text(re.compile("Spray"))
    bench.stop_serving(hang=True)
    expect(answer(page)).to_have_text(re.compile("Unknown"), timeout=20_000)
    assert all("ERR_" in said for said in visit.complaints)
    visit.complaints.clear()


def test_a_service_that_answers_with_errors_counts_as_gone(
    bench: Any, open_page: Any, monkeypatch: pytest.MonkeyPatch
) -> None:
    visit = open_page()
    page = visit.go(CHECK)
    expect(answer(page)).to_have_text(re.compile("Spray"))

    def breaks(*_: object, **__: object) -> None:
        raise RuntimeError("the desk is on fire")

    with monkeypatch.context() as broken:
        broken.setattr(bench.desk, "spray_check", breaks)
        bench.turn(24.0, 85.0)
        expect(answer(page)).to_have_text(re.compile("Unknown"), timeout=SOON)
    expect(answer(page)).to_have_text(re.compile("Wait"), timeout=20_000)
    assert all("500" in said for said in visit.complaints)
    visit.complaints.clear()


def test_one_tap_records_a_coat_and_one_takes_it_back(bench: Any, phone: Any) -> None:
    page = phone.go(CHECK)
    page.get_by_role("button", name=re.compile("Coat is on.*No. 41")).click()
    flash = page.locator("#flash")
    expect(flash).to_contain_text("Recorded. No. 41: Seal")
    card = page.locator("#card-1")
    expect(card).to_contain_text("Drying")
    expect(card).to_contain_text(re.compile(r"\d+ % of the wait to sand: about \d\d:\d\d"))
    assert page.url == phone.shop.url + CHECK  # a reload is not a second tap
    assert bench.desk.card(1).last_coat_id is not None
    flash.get_by_role("button", name="Undo").click()
    expect(flash).to_contain_text("Taken back")
    expect(card).to_contain_text("Ready now")
    assert bench.desk.card(1).last_coat_id is None


def test_two_quick_taps_are_one_coat(bench: Any, phone: Any) -> None:
    page = phone.go(CHECK)
    page.get_by_role("button", name=re.compile("Coat is on.*No. 41")).dblclick()
    expect(page.locator("#flash")).to_contain_text("No. 41: Seal")
    assert len([e for e in bench.desk.log(1) if e.kind == "coat"]) == 1


def test_a_tap_on_another_phone_shows_here(bench: Any, open_page: Any) -> None:
    here, there = open_page().go("/instruments"), open_page().go("/instruments/2")
    expect(here.locator("#card-2")).to_contain_text("Ready now")
    there.get_by_role("button", name=re.compile("Coat is on")).click()
    expect(here.locator("#card-2")).to_contain_text("Drying", timeout=SOON)


def test_a_notice_arrives_and_is_marked_as_seen(bench: Any, phone: Any) -> None:
    page = phone.go(CHECK)
    expect(page.locator("#tab-notices .count")).to_have_count(0)
    bench.tell("stop-spraying", "Stop spraying in booth: No. 41 is wet", instrument_id=1)
    expect(page.locator("#stop")).to_contain_text("Stop spraying in booth", timeout=SOON)
    expect(page.locator("#tab-notices .count")).to_have_text("1")
    page.locator("#stop").get_by_role("button", name=re.compile("^Seen")).click()
    expect(page.locator("#stop .notice")).to_have_count(0)
    expect(page.locator("#tab-notices .count")).to_have_count(0)
    assert bench.desk.notices(unseen_only=True) == []


def test_what_a_person_is_typing_and_has_unfolded_survives_new_readings(
    bench: Any, phone: Any
) -> None:
    page = phone.go(CHECK)
    page.locator("#why > summary").click()
    page.locator("#coat-options > summary").click()
    field = page.locator("input[name=wet]")
    field.fill("12")
    bench.turn(24.0, 85.0)
    expect(answer(page)).to_have_text(re.compile("Wait"), timeout=SOON)
    assert field.input_value() == "12"
    assert page.locator("#why").evaluate("element => element.open")
    expect(page.locator("#why table")).to_be_visible()
    expect(field).to_be_focused()


def test_choosing_a_material_asks_at_once_and_is_remembered(bench: Any, phone: Any) -> None:
    page = phone.go("/")
    page.get_by_label("What").select_option("toner-can")
    page.wait_for_url(re.compile("material=toner-can"))
    phone.go("/")
    expect(page.get_by_label("What")).to_have_value("toner-can")


def test_a_flaw_is_logged_with_the_air_around_it(bench: Any, phone: Any) -> None:
    bench.work.record_coat(1)
    page = phone.go("/instruments/1#form-flaw")
    form = page.locator("#form-flaw")
    expect(form.get_by_label("What")).to_be_visible()  # the link unfolds it
    form.get_by_label("What").select_option("blush")
    form.get_by_role("combobox", name="Part").fill("back")
    form.get_by_role("textbox", name="Note").fill("white near the tail")
    form.get_by_role("button", name=re.compile("Log it")).click()
    expect(page.get_by_role("heading", level=1)).to_have_text("Blush, back")
    expect(page.locator(".evidence")).to_contain_text("as it went on")
    expect(page.locator(".evidence")).to_contain_text("45 %")


def test_the_chart_is_drawn_and_follows_the_finger(bench: Any, phone: Any) -> None:
    page = phone.go("/air/booth")
    expect(page.locator(".chart canvas")).to_have_count(2)
    legend = page.locator(".chart-legend")
    last = legend.inner_text()
    page.locator(".u-over").first.hover(position={"x": 40, "y": 40})
    expect(legend).not_to_have_text(last)
    canvas = page.locator(".chart canvas").first
    drawn = canvas.evaluate(
        "c => c.getContext('2d').getImageData(0, 0, c.width, c.height).data.some(v => v > 0)"
    )
    assert drawn


def test_an_empty_shop_wakes_up_with_its_first_reading(shop: Any, phone: Any) -> None:
    page = phone.go("/")
    expect(page.get_by_role("heading", name="An empty shop")).to_be_visible()
    shop.read(22.0, 45.0)
    expect(answer(page)).to_have_text(re.compile("Spray"), timeout=SOON)
