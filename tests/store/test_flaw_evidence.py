"""What is gathered behind a flaw: parts, waits, moves, holes in the record, neighbours; kinds."""

from __future__ import annotations

import math
from datetime import timedelta
from typing import Any, NamedTuple

import pytest
from equipment import SetClock
from sqlalchemy import text

from service.shop.causes.findings import findings_of
from service.shop.evidence.model import Evidence
from service.shop.evidence.then import plain
from service.store.catalogue import CatalogueError, load_catalogue
from service.store.cause_file import load_causes
from service.store.db import Database
from service.store.desk import Desk, ShopFacts
from service.store.flaw_file import parse_flaw_kind
from service.store.readings import NewReading, record_batch
from service.store.retention import thin
from service.store.settling import settle_all
from service.store.work import Work

LACQUER = "nitro-lacquer-gun"
CATALOGUE = load_catalogue()


class Bench(NamedTuple):
    db: Database
    clock: SetClock
    work: Work

    def air(self, hours: float, rh_pct: float = 48.0, place: str = "booth", **holes: Any) -> None:
        """Pass some hours of air with a reading every five minutes, but for those of ``gap``."""
        first, last = holes.get("gap", (0.0, 0.0))
        rows = []
        for n in range(round(hours * 12)):
            self.clock.advance(minutes=5)
            if first <= n / 12 < last:
                continue
            now = self.clock.now()
            air = 21.0 + 1.5 * math.sin(now.timestamp() / 9000.0)
            rh = rh_pct + 3.0 * math.sin(now.timestamp() / 7000.0)
            rows += [
                NewReading(where, "probe", now, now, round(air, 2), round(rh, 1))
                for where in {place, "rack", "store"}
            ]
        with self.db.write() as session:
            record_batch(session, rows)
        settle_all(self.db)

    def piece(self, number: str = "41", **more: Any) -> int:
        given = {"kind": "parlour guitar", "woods": "spruce", "schedule_id": "lacquer-clear"}
        row = self.work.add_instrument(shop_number=number, place_id="booth", **(given | more))
        return int(row.id or 0)

    def coat(self, piece: int, **more: Any) -> int:
        return int(self.work.record_coat(piece, material_id=LACQUER, **more).id or 0)

    def behind(self, piece: int, kind: str = "printing", **more: Any) -> Evidence:
        row = self.work.flaws.log(piece, kind=kind, **more)
        return self.work.flaws.evidence(int(row.id or 0))


@pytest.fixture
def bench(database: Database, clock: SetClock) -> Bench:
    desk = Desk(database, clock, CATALOGUE, ShopFacts())
    made = Bench(database, clock, Work(database, clock, CATALOGUE, desk))
    for place, kind in (("booth", "booth"), ("rack", "rack"), ("store", "store")):
        made.work.add_place(place, kind=kind)
    made.air(8)
    return made


def test_only_coats_on_the_flawed_part_and_before_it_lie_under_it(bench: Bench) -> None:
    piece = bench.piece(parts=["back", "top"])
    back, top, both = (
        bench.coat(piece, parts=parts) for parts in (["back"], ["top"], ["back", "top"])
    )
    bench.air(1)
    seen = bench.clock.now()
    bench.air(1)
    later = bench.coat(piece, parts=["top"])

    def under(**more: Any) -> list[int]:
        return [c.coat_id for c in bench.behind(piece, **more).coats]

    assert under(part="top") == [top, both, later]
    assert under(part="top", seen_at=seen) == [top, both]
    assert under(part="bridge", seen_at=seen) == [top, both]  # coated along with the top
    assert under(part="by the label") == under() == [back, top, both, later]


def test_a_kind_in_the_film_is_put_down_to_the_newest_coat_and_a_crack_to_none(
    bench: Bench,
) -> None:
    piece = bench.piece()
    bench.coat(piece)
    bench.air(1)
    newest = bench.coat(piece)
    assert bench.behind(piece, "orange_peel").coat_id == newest
    assert bench.behind(piece, "cold_checks").coat_id is None


def test_sanding_ends_what_a_coat_hung_in_and_waits_are_told(bench: Bench) -> None:
    piece = bench.piece()
    bench.coat(piece)
    bench.air(2)
    bench.work.finish_step(piece, "scuff", who="bench 2")
    bench.air(3)
    found = bench.behind(piece)
    (coat,) = found.coats
    assert coat.after_ends == "sand"
    assert coat.after.until_at - coat.after.from_at == timedelta(hours=2)
    (step,) = found.steps
    assert (step.kind, step.who) == ("scuff_sand", "bench 2")
    assert step.waited is not None
    assert (step.waited.mark, step.waited.waited_h) == ("sand", 2.0)
    assert 0 < step.waited.clock < 0.2  # two of some twenty-four hours


def test_air_follows_the_piece_and_moves_are_told(bench: Bench) -> None:
    piece = bench.piece()
    bench.coat(piece)
    bench.air(1)
    bench.work.hang(piece, "rack")
    bench.air(5)
    bench.work.hang(piece, "store")
    bench.air(5)
    found = bench.behind(piece)
    (coat,) = found.coats
    assert coat.before.places == ("booth",)
    assert coat.after.places == ("booth", "rack", "store")
    assert coat.after_ends == "flaw"
    assert [(m.from_place, m.to_place) for m in found.moves] == [
        ("booth", "rack"), ("rack", "store"),
    ]  # fmt: skip
    # Hanging in the rack is no handling; lying in the store is.
    assert found.handled is not None
    assert (found.handled.mark, found.handled.waited_h) == ("rub_out", 6.0)
    assert found.handled.clock == pytest.approx(found.moves[1].hardness.clock)  # type: ignore[union-attr]


def test_doubtful_and_missing_readings_are_counted_and_said(bench: Bench) -> None:
    piece = bench.piece()
    bench.coat(piece)
    bench.air(6, gap=(1.0, 4.0))
    spike = bench.clock.now() - timedelta(minutes=32)
    wild = NewReading("booth", "other", spike, spike, 21.0, 180.0)
    with bench.db.write() as session:
        record_batch(session, [wild])
    settle_all(bench.db)
    (coat,) = bench.behind(piece).coats
    # Of six hours and the five minutes of the flaw three have nothing between two readings.
    assert coat.after.missing_share == pytest.approx(3.0 / 6.0, abs=0.03)
    assert coat.after.bridged_share == coat.after.missing_share
    assert coat.after.left_out == 1
    assert coat.before.missing_share == 0.0


def test_a_coat_without_a_reading_near_says_so(bench: Bench) -> None:
    piece = bench.piece()
    bench.clock.advance(hours=3)
    bench.coat(piece)
    bench.clock.advance(hours=3)
    bench.air(1)
    found = bench.behind(piece)
    assert found.coats[0].air_at is None
    assert found.coats[0].film_at is None
    assert "no reading near the coat" in found.not_known


def test_retarder_batches_distance_and_thickness_are_told_against_the_usual(bench: Bench) -> None:
    piece = bench.piece()
    for batch, cm in (("A1", 18.0), ("A1", 19.0), ("A1", 20.0), ("B2", 30.0), ("B2", None)):
        bench.coat(piece, batch=batch, distance_cm=cm, retarder_pct=5.0, wet_um=110.0)
        bench.air(1)
    coats = bench.behind(piece).coats
    assert [c.fresh_batch for c in coats] == [None, False, False, True, False]
    assert coats[3].usual_distance_cm == 19.0  # the middle of the other three
    assert coats[4].usual_distance_cm == 19.5
    assert all((c.retarder_pct, c.wet_um, c.usual_wet_um) == (5.0, 110.0, 80.0) for c in coats)


def test_a_can_in_damp_air_is_put_down_to_water_that_did_not_dissolve(bench: Bench) -> None:
    """Cans blush before guns do (common practice): their drops bring the water along."""
    piece = bench.piece()
    bench.air(2, rh_pct=60.0)
    bench.work.record_coat(piece, material_id="toner-can")
    bench.coat(piece)
    bench.air(1, rh_pct=60.0)
    behind = bench.behind(piece, "blush")
    can = behind.coats[0]
    found = findings_of(behind).coats[0]
    assert can.film_at is not None
    assert can.film_at.blush_margin_k is not None
    assert can.film_at.haze_margin_k is not None
    assert can.film_at.haze_margin_k < 0.0 < can.film_at.blush_margin_k
    assert found["haze_margin_k"].value == can.film_at.haze_margin_k


def test_pieces_coated_the_same_day_stand_beside_it(bench: Bench) -> None:
    pieces = [bench.piece(number) for number in ("41", "42", "43", "44")]
    for piece in pieces[:3]:
        bench.coat(piece)
        bench.air(0.5)
    bench.work.flaws.log(pieces[1], kind="blush")
    undone = bench.work.flaws.log(pieces[2], kind="blush")
    bench.work.undo("flaw", int(undone.id or 0))
    bench.work.flaws.log(pieces[2], kind="runs")
    found = bench.behind(pieces[0], "blush").beside
    assert found is not None
    assert (found.pieces, found.flawed) == (2, 1)


def test_film_is_told_against_what_the_schedule_would_have_built(bench: Bench) -> None:
    piece = bench.piece()
    bench.work.record_coat(piece)  # the sealer, as it should be
    bench.air(1)
    plain = bench.behind(piece).film
    assert plain is not None
    assert plain.build_part == pytest.approx(1.0)
    bench.coat(piece, wet_um=160.0)  # one clear coat of twice the usual film
    bench.air(1)
    thick = bench.behind(piece).film
    assert thick is not None
    assert thick.build_part is not None
    assert thick.build_part > 1.2


def test_what_was_kept_stays_when_the_record_changes(bench: Bench) -> None:
    piece = bench.piece()
    first = bench.coat(piece)
    bench.air(1)
    row = bench.work.flaws.log(piece, kind="blush")
    bench.work.undo("coat", first)
    behind = bench.work.flaws.behind(int(row.id or 0))
    assert behind.evidence.coats == ()
    assert [(c.what, c.was, c.now) for c in behind.changed] == [("coat", 1.0, 0.0)]
    assert behind.digest.sha256 != behind.digest_then
    assert len(bench.work.flaws.flaw(int(row.id or 0)).evidence["coats"]) == 1


def test_air_and_digest_outlast_the_thinning_of_old_readings(bench: Bench) -> None:
    bench.air(60)  # two days and a half that no coat needs
    piece = bench.piece()
    bench.coat(piece)
    bench.air(2)
    bench.coat(piece)
    bench.air(30)
    row = bench.work.flaws.log(piece, kind="blush")
    before = bench.work.flaws.behind(int(row.id or 0))
    bench.clock.advance(days=100)
    bench.air(1)  # the readings tell the time
    assert sum(thin(bench.db, bench.clock.now(), 30)) > 300
    after = bench.work.flaws.behind(int(row.id or 0))
    assert after.digest == before.digest
    assert plain(after.evidence) == plain(before.evidence)
    assert after.changed == ()


# -- kinds ---------------------------------------------------------------------------------


def test_every_cause_knows_only_kinds_that_there_are() -> None:
    kinds = set(CATALOGUE.flaw_kinds)
    named = {kind for cause in load_causes().causes.values() for kind in cause.kinds}
    assert named <= kinds
    assert kinds - named == {"other"}


def test_every_kind_has_a_drawing_of_its_own() -> None:
    from pathlib import Path

    import jinja2

    folder = Path(__file__).resolve().parents[2] / "dashboards" / "templates"
    template = jinja2.Environment(
        loader=jinja2.FileSystemLoader(folder), autoescape=True
    ).get_template("parts/flaw_drawing.html")
    drawn = {kind: str(template.module.drawing(kind)) for kind in CATALOGUE.flaw_kinds}
    assert len(set(drawn.values())) == len(drawn) == 18


GOOD = """id: haze
order: 5
name: Haze
plain: a dull veil
looks: Dull under a low lamp.
shows: After rubbing out.
newest_coat: false
remedies: ["Rub again."]
cautions: ["Check the film."]
basis: common practice
"""


def test_a_shops_own_kind_stands_among_the_others(tmp_path: Any) -> None:
    (tmp_path / "flaws").mkdir()
    (tmp_path / "flaws" / "haze.yaml").write_text(GOOD, encoding="utf-8")
    kinds = load_catalogue(tmp_path).flaw_kinds
    assert next(iter(kinds)) == "haze"
    assert len(kinds) == 19


@pytest.mark.parametrize(
    ("old", "new", "told"),
    [
        ("id: haze", "id: Haze!", "line 1: id:"),
        ("order: 5", "order: first", "line 2: order:"),
        ('remedies: ["Rub again."]', "remedies: []", "line 8: remedies:"),
        ("basis: common practice", "colour: red", "basis:"),
    ],
)
def test_a_kind_that_is_wrong_is_named_with_line_and_field(old: str, new: str, told: str) -> None:
    with pytest.raises(CatalogueError, match=f"haze.yaml, .*{told}"):
        parse_flaw_kind(GOOD.replace(old, new), "haze.yaml")


def test_flaws_logged_under_an_older_name_are_found_under_the_new(tmp_path: Any) -> None:
    from alembic import command

    from service.store.db import alembic_config, sqlite_url

    url = sqlite_url(tmp_path)
    db = Database(url)
    with db.engine.begin() as connection:
        config = alembic_config(url)
        config.attributes["connection"] = connection
        command.upgrade(config, "0005")
        connection.execute(
            text("INSERT INTO instrument (id, shop_number, kind, woods, plate_mm, schedule_id, "
                 "parts, made_at) VALUES (1, '41', 'lute', '', 3, 'lacquer-clear', '[]', 0)")
        )  # fmt: skip
        for kind in ("checking", "open_seam", "moved_plate", "blush"):
            connection.execute(
                text("INSERT INTO flaw (instrument_id, kind, part, severity, seen_at, note, "
                     "evidence, made_at) VALUES (1, :kind, '', 2, 0, '', '{}', 0)"),
                {"kind": kind},
            )  # fmt: skip
        command.upgrade(config, "0006")
        kinds = connection.execute(text("SELECT kind, who FROM flaw ORDER BY id")).all()
    db.dispose()
    assert [k for k, _ in kinds] == ["cold_checks", "open_seams", "plate_moved", "blush"]
    assert {who for _, who in kinds} == {""}
