"""The pages in a browser that runs no script: everything can be read, and a coat recorded."""

from __future__ import annotations

import re
from typing import Any

import pytest
from playwright.sync_api import expect

pytestmark = pytest.mark.real

CHECK = "/?place=booth&material=nitro-lacquer-gun"


@pytest.fixture
def plain(open_page: Any) -> Any:
    """A phone whose browser runs no script."""
    return open_page(java_script_enabled=False)


def test_a_coat_is_recorded_and_taken_back(bench: Any, plain: Any) -> None:
    page = plain.go(CHECK)
    expect(page.locator("#check .tag:visible .answer")).to_have_text(re.compile("Spray"))
    page.get_by_role("button", name=re.compile("Coat is on.*No. 41")).click()
    expect(page.locator("#flash")).to_contain_text("Recorded. No. 41: Seal")
    expect(page.locator("#card-1")).to_contain_text("Drying")
    assert bench.desk.card(1).last_coat_id is not None
    page.locator("#flash").get_by_role("button", name="Undo").click()
    expect(page.locator("#flash")).to_contain_text("Taken back")
    assert bench.desk.card(1).last_coat_id is None


def test_place_and_material_are_chosen_with_a_button(bench: Any, plain: Any) -> None:
    page = plain.go("/")
    page.get_by_label("Where").select_option("rack")
    page.get_by_role("button", name="Ask").last.click()
    expect(page).to_have_url(re.compile("place=rack"))
    expect(page.get_by_label("Where")).to_have_value("rack")


def test_a_piece_is_added_and_its_coat_recorded_with_details(bench: Any, plain: Any) -> None:
    page = plain.go("/instruments/new")
    page.get_by_label("Shop number").fill("43")
    page.get_by_label("What it is").fill("mountain dulcimer")
    page.get_by_role("button", name="Add the piece").click()
    expect(page.get_by_role("heading", level=1)).to_contain_text("Mountain dulcimer")
    page.locator("#form-coat > summary").click()
    page.locator("#form-coat").get_by_label("Wet film").fill("70")
    page.locator("#form-coat").get_by_label("Who").fill("bench 2")
    page.locator("#form-coat").get_by_role("button", name="Record the coat").click()
    expect(page.locator("#log")).to_contain_text("70 µm wet")
    expect(page.locator("#log")).to_contain_text("bench 2")


def test_the_course_of_the_air_is_drawn(bench: Any, plain: Any) -> None:
    page = plain.go("/air/booth")
    expect(page.locator("svg.course")).to_be_visible()
    assert page.locator("svg.course path.line").count() == 3
