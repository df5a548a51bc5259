"""Use cases on a real database: what is recorded, refused, undone, and told once."""

from __future__ import annotations

import threading
from datetime import timedelta
from typing import NamedTuple

import pytest
from equipment import SetClock

from service.store import readings
from service.store.catalogue import load_catalogue
from service.store.db import Database
from service.store.desk import Desk, ShopFacts
from service.store.errors import BadInput, Conflict, NotFound
from service.store.notice_book import NoticeBook
from service.store.readings import NewReading
from service.store.settling import settle_all
from service.store.work import Work

LACQUER = "nitro-lacquer-gun"


class Bench(NamedTuple):
    db: Database
    clock: SetClock
    desk: Desk
    work: Work
    book: NoticeBook

    def read(self, air_c: float = 22.5, rh_pct: float = 45.0, place: str = "booth") -> None:
        now = self.clock.now()
        row = NewReading(place, "wall", now, now, air_c, rh_pct)
        with self.db.write() as session:
            readings.record_batch(session, [row])
        settle_all(self.db)

    def pass_time(self, minutes: int, air_c: float = 22.5, rh_pct: float = 45.0) -> None:
        for _ in range(minutes // 5):
            self.clock.advance(minutes=5)
            self.read(air_c, rh_pct)

    def piece(self, schedule_id: str = "lacquer-clear", number: str = "41") -> int:
        row = self.work.add_instrument(
            shop_number=number, kind="tenor ukulele", schedule_id=schedule_id, place_id="booth"
        )
        return int(row.id or 0)


@pytest.fixture
def bench(database: Database, clock: SetClock) -> Bench:
    catalogue = load_catalogue()
    desk = Desk(database, clock, catalogue, ShopFacts())
    work = Work(database, clock, catalogue, desk)
    made = Bench(database, clock, desk, work, NoticeBook(database, clock, catalogue, desk))
    work.add_place("booth")
    made.read()
    return made


def test_a_coat_keeps_the_air_of_its_moment(bench: Bench) -> None:
    coat = bench.work.record_coat(bench.piece(), material_id=LACQUER)
    assert coat.air["air_c"] == 22.5
    assert coat.air["rh_pct"] == 45.0
    # 10.0 °C: dew point of 22.5 °C and 45 % RH by the ASHRAE equations.
    assert coat.air["dew_point_c"] == pytest.approx(10.0, abs=0.05)
    assert coat.air["film_floor_c"] < 22.5


def test_a_coat_without_a_material_is_the_open_steps(bench: Bench) -> None:
    coat = bench.work.record_coat(bench.piece())
    assert (coat.step_key, coat.material_id) == ("seal", "vinyl-sealer-can")


def test_a_coat_of_another_material_goes_under_the_step_that_takes_it(bench: Bench) -> None:
    assert bench.work.record_coat(bench.piece(), material_id=LACQUER).step_key == "clear"


def test_passes_scale_the_usual_film(bench: Bench) -> None:
    usual = bench.desk.catalogue.materials[LACQUER].usual_wet_um
    coat = bench.work.record_coat(bench.piece(), material_id=LACQUER, passes=3)
    assert coat.wet_um == pytest.approx(1.5 * usual)


@pytest.mark.parametrize("wet_um", [-60.0, 0.0, 1e9, float("nan"), float("inf")])
def test_a_thickness_that_cannot_be_is_refused_by_name(bench: Bench, wet_um: float) -> None:
    piece = bench.piece()
    with pytest.raises(BadInput, match="wet_um"):
        bench.work.record_coat(piece, material_id=LACQUER, wet_um=wet_um)
    assert bench.desk.card(piece).marks == ()


def test_unknown_words_are_refused_by_the_field_that_holds_them(bench: Bench) -> None:
    piece = bench.piece()
    with pytest.raises(BadInput, match="material"):
        bench.work.record_coat(piece, material_id="moonshine")
    with pytest.raises(BadInput, match="place"):
        bench.work.record_coat(piece, material_id=LACQUER, place_id="attic")
    with pytest.raises(BadInput, match="at"):
        bench.work.record_coat(
            piece, material_id=LACQUER, at=bench.clock.now() + timedelta(hours=1)
        )
    with pytest.raises(BadInput, match="schedule"):
        bench.work.add_instrument(shop_number="9", kind="lute", schedule_id="none")
    with pytest.raises(NotFound, match="instrument"):
        bench.work.record_coat(999, material_id=LACQUER)
    with pytest.raises(Conflict, match="shop_number"):
        bench.piece()


def test_undo_takes_back_the_last_act_and_keeps_it_in_the_record(bench: Bench) -> None:
    piece = bench.piece()
    coat = bench.work.record_coat(piece)
    bench.pass_time(60)
    bench.work.finish_step(piece)
    assert bench.desk.card(piece).act.step_key == "mask"
    bench.work.undo_last(piece)
    assert bench.desk.card(piece).act.step_key == "scuff"
    bench.work.undo_last(piece)
    assert bench.desk.card(piece).act.step_key == "seal"
    undone = [entry for entry in bench.desk.log(piece) if entry.undone]
    assert {entry.kind for entry in undone} == {"coat", "step"}
    with pytest.raises(Conflict, match="undone"):
        bench.work.undo("coat", int(coat.id or 0))
    with pytest.raises(Conflict, match="nothing"):
        bench.work.undo_last(piece)


def test_a_piece_moved_to_a_colder_place_dries_more_slowly(bench: Bench) -> None:
    bench.work.add_place("rack", kind="rack")
    stays, moves = bench.piece(), bench.piece(number="42")
    for piece in (stays, moves):
        bench.work.record_coat(piece, material_id=LACQUER)
    bench.read(12.0, 60.0, place="rack")
    bench.work.hang(moves, "rack")
    for _ in range(6):
        bench.clock.advance(minutes=5)
        bench.read()
        bench.read(12.0, 60.0, place="rack")
    warm, cold = (bench.desk.card(piece).marks[0].clock for piece in (stays, moves))
    assert cold < 0.75 * warm


def test_a_coat_over_soft_coats_dries_more_slowly(bench: Bench) -> None:
    single, doubled = bench.piece(), bench.piece(number="42")
    bench.work.record_coat(doubled, material_id=LACQUER)
    bench.pass_time(10)
    for piece in (single, doubled):
        bench.work.record_coat(piece, material_id=LACQUER)
    bench.pass_time(20)
    over_wood, over_soft = (bench.desk.card(piece).marks[0].clock for piece in (single, doubled))
    assert over_soft < over_wood


def test_ready_is_told_once_and_not_before_its_time(bench: Bench) -> None:
    piece = bench.piece()
    for step in ("seal", "scuff", "mask"):
        bench.work.finish_step(piece, step)
    bench.work.record_coat(piece)
    bench.pass_time(55)
    assert bench.book.look() == []
    bench.pass_time(10)
    (notice,) = bench.book.look()
    assert (notice.kind, notice.instrument_id) == ("recoat-ready", piece)
    assert bench.book.look() == []
    assert [n.id for n in bench.book.unpublished()] == [notice.id]
    bench.book.mark_published(int(notice.id or 0))
    assert bench.book.unpublished() == []


def test_two_lookers_at_once_tell_once(bench: Bench) -> None:
    piece = bench.piece()
    bench.work.record_coat(piece)
    bench.pass_time(60)
    told: list[int] = []
    start = threading.Barrier(4)

    def look() -> None:
        start.wait()
        told.extend(int(n.id or 0) for n in bench.book.look())

    lookers = [threading.Thread(target=look) for _ in range(4)]
    for looker in lookers:
        looker.start()
    for looker in lookers:
        looker.join()
    assert len(told) == 1


def test_without_fresh_readings_ready_waits_for_the_late_end_of_the_range(bench: Bench) -> None:
    piece = bench.piece()
    bench.work.record_coat(piece)  # sealer: 30 to 45 min before scuffing, common practice
    bench.clock.advance(minutes=40)
    assert not [n for n in bench.book.look() if n.kind == "sand-ready"]
    bench.clock.advance(minutes=60)
    (ready,) = (n for n in bench.book.look() if n.kind == "sand-ready")
    assert "without fresh readings" in ready.text


def test_an_undone_coat_is_never_told_ready(bench: Bench) -> None:
    piece = bench.piece()
    coat = bench.work.record_coat(piece)
    bench.work.undo("coat", int(coat.id or 0))
    bench.pass_time(90)
    assert bench.book.look() == []


def test_a_flaw_keeps_the_air_and_the_waits_of_the_coats_under_it(bench: Bench) -> None:
    piece = bench.piece()
    bench.work.record_coat(piece, material_id=LACQUER)
    bench.pass_time(30)
    bench.work.record_coat(piece, material_id=LACQUER)
    bench.pass_time(120, rh_pct=50.0)
    flaw = bench.work.flaws.log(piece, kind="blush", part="top", note="milky by the bridge")
    first, second = flaw.evidence["coats"]
    assert first["waited"] is None
    assert second["waited"]["clock"] == pytest.approx(0.5, abs=0.05)  # half the hour it should have
    assert second["waited"]["mark"] == "recoat"
    assert second["before"]["readings"] == 6  # five minutes apart, the last as the coat goes on
    assert second["after"]["rh_pct"]["mean"] == pytest.approx(50.0, abs=0.5)
    with pytest.raises(BadInput, match="kind"):
        bench.work.flaws.log(piece, kind="gremlins")


def test_a_refused_use_case_leaves_nothing_behind(bench: Bench) -> None:
    with pytest.raises(BadInput, match="place"):
        bench.work.add_instrument(
            shop_number="77", kind="lute", schedule_id="lacquer-clear", place_id="attic"
        )
    assert bench.desk.cards() == []


def test_a_sensor_is_called_silent_only_after_it_could_have_spoken(bench: Bench) -> None:
    bench.clock.advance(hours=9)  # switched off for the night
    after_start = NoticeBook(bench.db, bench.clock, bench.desk.catalogue, bench.desk)
    bench.clock.advance(minutes=9)
    assert after_start.look() == []
    bench.clock.advance(minutes=2)
    (notice,) = after_start.look()
    assert notice.kind == "sensor-silent"
    assert after_start.look() == []


def test_a_very_thin_coat_is_reckoned_and_holds_up_no_notice(bench: Bench) -> None:
    thin, ready = bench.piece(), bench.piece(number="42")
    bench.work.record_coat(ready)
    bench.pass_time(50)
    coat = bench.work.record_coat(thin, material_id="toner-can", passes=1)
    assert coat.wet_um < 30.0
    assert coat.air["film_floor_c"] < coat.air["air_c"]
    assert [n.kind for n in bench.book.look()] == ["sand-ready"]


@pytest.mark.parametrize(
    ("air_c", "wet_um"), [(22.5, 400.0), (3.0, 60.0)], ids=["thick coat", "cold place"]
)
def test_a_coat_beyond_the_film_model_is_kept_and_holds_up_no_notice(
    bench: Bench, air_c: float, wet_um: float
) -> None:
    beyond, ready = bench.piece(), bench.piece(number="42")
    bench.work.record_coat(ready)
    bench.pass_time(50)
    step = (air_c - 22.5) / 40  # air that a shop can have does not jump
    for n in range(1, 41):
        bench.clock.advance(seconds=30)
        bench.read(22.5 + n * step, 45.0)
    coat = bench.work.record_coat(beyond, material_id=LACQUER, wet_um=wet_um)
    assert "film_floor_c" not in coat.air
    assert [n.kind for n in bench.book.look()] == ["sand-ready"]


def parted(bench: Bench) -> int:
    row = bench.work.add_instrument(
        shop_number="44", kind="parlour guitar", schedule_id="lacquer-clear", place_id="booth",
        parts=["top", "back", "neck"],
    )  # fmt: skip
    return int(row.id or 0)


def test_parts_are_coated_at_different_times_and_each_has_its_clock(bench: Bench) -> None:
    piece = parted(bench)
    seal = bench.work.record_coat(piece)
    assert seal.parts == ["back", "top", "neck"]
    bench.pass_time(60)
    bench.work.finish_step(piece)
    bench.work.finish_step(piece)
    bench.work.record_coat(piece, parts=["back"])
    bench.pass_time(30)
    card = bench.desk.card(piece)
    # Top and neck are behind: theirs is the open act, and nothing is to be waited for.
    assert (card.act.step_key, card.act.coat_number, card.act.state) == ("clear", 1, "ready")
    assert {p.part: (p.act.coat_number, p.due) for p in card.parts} == {
        "back": (2, False), "top": (1, True), "neck": (1, True),
    }  # fmt: skip
    second = bench.work.record_coat(piece)
    assert second.parts == ["top", "neck"]
    bench.pass_time(35)
    card = bench.desk.card(piece)
    states = {p.part: p.act.state for p in card.parts}
    # The back has had its hour, the others not yet: the piece waits for them.
    assert states == {"back": "ready", "top": "waiting", "neck": "waiting"}
    assert (card.act.state, card.act.coat_number) == ("waiting", 2)
    bench.pass_time(30)
    assert bench.desk.card(piece).act.state == "ready"


def test_a_part_that_is_not_there_is_refused_by_name(bench: Bench) -> None:
    piece = parted(bench)
    with pytest.raises(BadInput, match="parts: 'head' is none of back, top, neck"):
        bench.work.record_coat(piece, parts=["head"])
    with pytest.raises(BadInput, match="parts"):
        bench.work.add_instrument(
            shop_number="9", kind="lute", schedule_id="lacquer-clear", parts=["rose"]
        )


def test_a_step_is_done_once_on_each_part(bench: Bench) -> None:
    piece = parted(bench)
    bench.work.record_coat(piece)
    bench.work.finish_step(piece, "scuff", parts=["back"])
    with pytest.raises(Conflict, match="already"):
        bench.work.finish_step(piece, "scuff", parts=["back", "top"])
    assert bench.work.finish_step(piece, "scuff").parts == ["top", "neck"]
    assert bench.desk.card(piece).act.step_key == "mask"


def test_how_heavy_a_coat_went_on_tells_its_film(bench: Bench) -> None:
    usual = bench.desk.catalogue.materials[LACQUER].usual_wet_um
    piece = bench.piece()
    hows: list[dict[str, object]] = [
        {"build": "light"},
        {"build": "heavy", "passes": 1},
        {"wet_um": 50.0, "build": "heavy"},
    ]
    wet = [bench.work.record_coat(piece, material_id=LACQUER, **how).wet_um for how in hows]
    assert wet == pytest.approx([0.7 * usual, 0.7 * usual, 50.0])
    with pytest.raises(BadInput, match="build"):
        bench.work.record_coat(piece, material_id=LACQUER, build="thick")
    with pytest.raises(BadInput, match="distance_cm"):
        bench.work.record_coat(piece, material_id=LACQUER, distance_cm=2.0)


def test_a_flaw_on_a_part_asks_the_coats_of_that_part(bench: Bench) -> None:
    piece = parted(bench)
    bench.work.record_coat(piece)
    bench.pass_time(60)
    back = bench.work.record_coat(piece, material_id=LACQUER, parts=["back"])
    bench.pass_time(30)
    flaw = bench.work.flaws.log(piece, kind="blush", part="top")
    assert [c["coat_id"] for c in flaw.evidence["coats"]] == [back.id - 1]
    assert len(bench.work.flaws.log(piece, kind="blush", part="back").evidence["coats"]) == 2


def test_a_place_too_dry_for_wood_is_told_once(bench: Bench) -> None:
    bench.work.add_place("wood-store", kind="store")

    def hours(count: int, rh_pct: float) -> list[str]:
        told = []
        for _ in range(count * 4):
            bench.clock.advance(minutes=15)
            bench.read(21.0, rh_pct, place="wood-store")
            bench.read()  # the piece hangs in good air
            told += [n.kind for n in bench.book.look() if n.kind.startswith("wood")]
        return told

    assert hours(8, 50.0) == []
    falling = [kind for rh in range(49, 37, -1) for kind in hours(1, float(rh))]
    assert falling.count("wood-dry") == 1
    assert hours(3, 38.0) == []
    # A new start looks again and has nothing new to say.
    bench.book._wood_at = None
    assert hours(1, 38.0) == []
    found = bench.desk.wood("wood-store")
    assert found.state == "dry"
    assert found.plates[0].plate.name == "bare spruce top"
