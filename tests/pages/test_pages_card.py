"""The job card: one sheet of the size that was asked for, and a code that another reader reads."""

from __future__ import annotations

import io
import re
from typing import Any

import pypdfium2
import pytest
import zxingcpp
from playwright.sync_api import Page, expect

pytestmark = pytest.mark.real

SHEETS_MM = {"a5": (148, 210), "a6": (105, 148)}  # ISO 216
DPI = 200


@pytest.fixture
def hung(shop: Any) -> Any:
    """A piece for each schedule that ships, with long names."""
    shop.read_day("booth", 22.0, 45.0, hours=2)
    for n, schedule in enumerate(sorted(shop.desk.catalogue.schedules)):
        shop.add_piece(
            f"{141 + n}",
            kind="octave mandolin, left-handed",
            woods="spruce and maple, walnut edge",
            schedule_id=schedule,
        )
    return shop


def pdf_of(page: Page) -> pypdfium2.PdfDocument:
    return pypdfium2.PdfDocument(io.BytesIO(page.pdf(prefer_css_page_size=True)))


@pytest.mark.parametrize("size", ["a5", "a6"])
def test_every_schedule_fits_on_one_sheet(hung: Any, phone: Any, size: str) -> None:
    for piece in range(1, len(hung.desk.catalogue.schedules) + 1):
        page = phone.go(f"/instruments/{piece}/card?size={size}")
        page.emulate_media(media="print")
        high_px = page.locator(".sheet").evaluate("e => e.getBoundingClientRect().height")
        assert high_px <= SHEETS_MM[size][1] / 25.4 * 96, hung.desk.card(piece).schedule_id
        schedule = hung.desk.schedule(piece)
        boxes = page.get_by_role("img", name="to do")
        expect(boxes).to_have_count(sum(max(step.coats, 1) for step in schedule.steps))
        for step in schedule.steps:
            expect(page.locator(".lines")).to_contain_text(step.name)
        expect(page.locator(".care")).to_contain_text("Data sheet and local rules come first")


@pytest.mark.parametrize("size", ["a5", "a6"])
def test_it_prints_on_one_sheet_and_its_code_leads_to_the_page(
    bench: Any, phone: Any, size: str
) -> None:
    bench.work.record_coat(1)
    page = phone.go(f"/instruments/1/card?size={size}")
    expect(page.get_by_role("img", name="done")).to_have_count(1)
    assert "41" in page.locator(".number").inner_text()
    document = pdf_of(page)
    assert len(document) == 1
    sheet = document[0]
    for points, millimetres in zip(sheet.get_size(), SHEETS_MM[size], strict=True):
        assert points * 25.4 / 72 == pytest.approx(millimetres, abs=0.5)
    printed = sheet.render(scale=DPI / 72).to_pil()
    (code,) = zxingcpp.read_barcodes(printed)
    assert re.fullmatch(r"http://[^/]+/instruments/1", code.text)
    # A module of a third of a millimetre or more is read from the hook.
    corner = code.position
    modules = 17 + 4 * 3  # version 3 (ISO/IEC 18004): what this address takes
    width_mm = abs(corner.top_right.x - corner.top_left.x) / DPI * 25.4
    assert width_mm / modules > 0.33


def test_the_code_leads_where_the_page_was_asked_for(bench: Any) -> None:
    asked = bench.http.get("/instruments/1/card", headers={"Host": "booth-pc.local:8317"})
    assert "booth-pc.local:8317<br>/instruments/1" in asked.text
    at_home = bench.http.get("/instruments/1/card")
    assert "127.0.0.1:8317<br>" in at_home.text  # the service's own address, not the test's port


def test_a_piece_or_size_that_is_not_is_named(bench: Any) -> None:
    assert bench.http.get("/instruments/99/card").status_code == 404
    wrong = bench.http.get("/instruments/1/card?size=a3")
    assert wrong.status_code == 422
    assert "size" in wrong.text
