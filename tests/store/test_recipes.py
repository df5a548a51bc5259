"""Materials and schedules rewritten by the shop: versions are added, finished work stays."""

from __future__ import annotations

from datetime import timedelta

import pytest
from equipment import SetClock

from service.store.catalogue import load_catalogue
from service.store.db import Database
from service.store.desk import Desk, ShopFacts
from service.store.errors import BadInput, NotFound
from service.store.readings import NewReading, record_batch
from service.store.settling import settle_all
from service.store.work import Work

LACQUER = "nitro-lacquer-gun"


def opened(database: Database, clock: SetClock) -> Work:
    """The shop as it is after a start."""
    catalogue = load_catalogue()
    return Work(database, clock, catalogue, Desk(database, clock, catalogue, ShopFacts()))


@pytest.fixture
def work(database: Database, clock: SetClock) -> Work:
    made = opened(database, clock)
    made.add_place("booth")
    at = clock.now()
    with database.write() as session:
        record_batch(
            session,
            [
                NewReading("booth", "wall", t, t, 22.5, 45.0)
                for n in range(-12, 1)
                if (t := at + timedelta(minutes=5 * n))
            ],
        )
    settle_all(database)
    return made


def piece(work: Work, number: str) -> int:
    row = work.add_instrument(
        shop_number=number, kind="lute", schedule_id="lacquer-clear", place_id="booth"
    )
    return int(row.id or 0)


def recoat_h(work: Work, instrument_id: int) -> float:
    marks = work.desk.card(instrument_id).marks
    return next(mark.needed_h for mark in marks if mark.mark == "recoat")


def test_a_data_sheets_figures_hold_for_coats_from_then_on(work, database, clock):
    before = piece(work, "41")
    work.record_coat(before, material_id=LACQUER)
    assert recoat_h(work, before) == 1.0
    number = work.recipes.enter_figures(
        LACQUER,
        marks={"recoat": {"hours": 2.0, "closes": 24.0}, "sand": {"hours": 40.0}},
        limits={"rh_max_pct": 60.0},
        basis="data sheet of the can",
        who="bench 1",
    )
    assert number == 1
    after = piece(work, "42")
    coat = work.record_coat(after, material_id=LACQUER)
    assert coat.material_version == 1
    # The coat that was on before keeps the figures it was put on by, also after a new start.
    for shop in (work, opened(database, clock)):
        assert (recoat_h(shop, before), recoat_h(shop, after)) == (1.0, 2.0)
        held = shop.catalogue.materials[LACQUER]
        assert held.limits.rh_max_pct.value == 60.0
        assert held.marks["recoat"].basis == "data sheet of the can"
        assert held.marks["recoat"].closes_hours == 24.0
        # The old range (16 to 36 h) does not hold 40 h any more.
        assert (held.marks["sand"].low_hours, held.marks["sand"].high_hours) == (16.0, 40.0)


def test_every_version_can_be_read_and_brought_back(work):
    shipped = work.recipes.text("material", LACQUER)
    work.recipes.enter_figures(LACQUER, marks={"recoat": {"hours": 2.0}}, limits={}, basis="sheet")
    work.recipes.write("material", shipped, who="bench 1", note="back to what ships")
    assert work.catalogue.materials[LACQUER].marks["recoat"].hours == 1.0
    versions = work.recipes.versions("material", LACQUER)
    assert [(v.number, v.note) for v in versions] == [
        (2, "back to what ships"),
        (1, "sheet"),
        (None, ""),
    ]
    assert versions[0].text == versions[2].text == shipped


def test_a_piece_stays_on_the_schedule_it_began(work):
    text = work.recipes.text("schedule", "lacquer-clear")
    before = piece(work, "41")
    work.recipes.write("schedule", text.replace("coats: 10", "coats: 6"))
    after = piece(work, "42")
    for one, coats in ((before, 10), (after, 6)):
        step = work.desk.schedule(one).step("clear")
        assert step.coats == coats


def test_a_new_material_may_be_written(work):
    text = work.recipes.text("material", LACQUER).replace(f"id: {LACQUER}", "id: house-lacquer")
    assert work.recipes.write("material", text) == ("house-lacquer", 1)
    assert work.record_coat(piece(work, "41"), material_id="house-lacquer").material_version == 1


def test_what_is_wrong_changes_nothing_and_names_its_line(work):
    text = work.recipes.text("material", LACQUER)
    with pytest.raises(BadInput, match=r"text: material, line \d+: marks.recoat.hours"):
        work.recipes.write("material", text.replace("recoat: {hours: 1.0", "recoat: {hours: -1.0"))
    with pytest.raises(BadInput, match=r"text: schedule lacquer-clear.*no mark 'rub_out'"):
        work.recipes.write("material", text.replace("  rub_out:", "  polish:"))
    with pytest.raises(BadInput, match="limits"):
        work.recipes.enter_figures(LACQUER, marks={}, limits={"wind": 3.0}, basis="sheet")
    with pytest.raises(BadInput, match="marks"):
        work.recipes.enter_figures(LACQUER, marks={"shine": {"hours": 3}}, limits={}, basis="sheet")
    with pytest.raises(BadInput, match="basis"):
        work.recipes.enter_figures(LACQUER, marks={}, limits={}, basis=" ")
    with pytest.raises(NotFound):
        work.recipes.versions("material", "moonshine")
    assert work.recipes.text("material", LACQUER) == text
    assert [v.number for v in work.recipes.versions("material", LACQUER)] == [None]
