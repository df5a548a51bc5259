"""Materials and schedules as data: what ships is whole, and what is wrong is named by its line."""

from __future__ import annotations

import re
from pathlib import Path

import pytest

from service.science import film
from service.store import catalogue as book
from service.store.catalogue import CatalogueError, load_catalogue, parse_material, parse_schedule

SHIPPED = Path(book.__file__).parents[1] / "data"
LACQUER = (SHIPPED / "materials" / "nitro-lacquer-gun.yaml").read_text()
CLEAR = (SHIPPED / "schedules" / "lacquer-clear.yaml").read_text()


def refused(text: str, parse=parse_material) -> str:
    with pytest.raises(CatalogueError) as caught:
        parse(text, "mine.yaml")
    return str(caught.value)


def test_what_ships_is_what_a_finisher_meets():
    found = load_catalogue()
    families = {m.family for m in found.materials.values()}
    assert families >= {
        "solvent lacquer", "spirit varnish", "water-borne", "oil varnish", "two-part",
        "drying oil", "fill", "glue",
    }  # fmt: skip
    sprayed = [m for m in found.materials.values() if m.blend is not None]
    for material in sprayed:
        # The film model must be able to answer for each of them in an ordinary shop.
        floor = film.floor(
            material.sprayed, air_c=22.0, rh_pct=50.0, wet_um=material.usual_wet_um,
            h_w_m2k=10.0, plate_mm=3.0,
        )  # fmt: skip
        assert 0.0 < 22.0 - float(floor.film_floor_c) < 20.0, material.id
    kinds = {step.kind for s in found.schedules.values() for step in s.steps}
    assert kinds == set(book.STEP_KINDS)


def test_every_figure_says_what_it_rests_on():
    known = re.compile(r"common practice|assumed|ISO 8502-4|film model")
    for material in load_catalogue().materials.values():
        figures = [m.basis for m in material.marks.values()]
        figures += [m.closes_basis for m in material.marks.values() if m.closes_hours]
        limits = vars(material.limits).values()
        figures += [f.basis for f in limits if f is not None]
        figures += [material.pot_life_h.basis] if material.pot_life_h else []
        assert all(known.search(basis) for basis in figures), material.id
        assert material.cautions


def test_isocyanate_is_never_without_its_caution():
    hardened = [m for m in load_catalogue().materials.values() if m.pot_life_h is not None]
    assert hardened
    for material in hardened:
        said = " ".join(material.cautions)
        assert "isocyanate" in said
        assert "not clean air" in said


@pytest.mark.parametrize(
    ("line", "spoilt", "field"),
    [
        ("  reference_c: 22.5", "  reference_c: warm", "drying.reference_c"),
        ("  solids_pct: 17.0", "  solids_pct: 170.0", "blend"),
        ("    toluene: 0.22", "    toluene: lots", "blend.solvents.toluene"),
        ("  rh_max_pct: {value: 65,", "  rh_max_pct: {valve: 65,", "limits.rh_max_pct"),
        ("  sand: {hours: 24, low: 16,", "  sand: {hours: 24, low: 30,", "marks.sand"),
        ("id: nitro-lacquer-gun", "id: Nitro Lacquer", "id"),
    ],
)
def test_a_mistake_is_found_by_its_line(line, spoilt, field):
    assert LACQUER.count(line) == 1
    said = refused(LACQUER.replace(line, spoilt))
    number = LACQUER[: LACQUER.index(line)].count("\n") + 1
    # An error of a whole block is found where the block begins.
    block = [n for n, text in enumerate(LACQUER.splitlines(), 1) if text == f"{field}:"]
    assert said.startswith(f"mine.yaml, line {block[0] if block else number}: {field}"), said


def test_text_that_is_no_yaml_says_where():
    assert "line 2" in refused("id: a\n  - b: [\n")


def test_a_step_that_makes_no_sense_is_found_by_its_line():
    said = refused(CLEAR.replace("kind: cure", "kind: nap"), parse_schedule)
    at = CLEAR[: CLEAR.index("  - key: cure")].count("\n") + 1
    assert said.startswith(f"mine.yaml, line {at}: steps.4")
    assert "'nap'" in said


@pytest.mark.parametrize(
    "closing",
    ["closes: 0.9, closes_basis: common practice", "closes: 20", "closes_basis: common practice"],
)
def test_a_window_that_closes_before_it_opens_or_for_no_reason_is_refused(closing):
    line = '  recoat: {hours: 1.0, basis: "common practice: an hour from coat to coat"}'
    said = refused(LACQUER.replace(line, f"  recoat: {{hours: 1.0, basis: assumed, {closing}}}"))
    assert "marks.recoat" in said
    assert "closes" in said


def test_the_shops_own_file_replaces_what_ships(tmp_path):
    (tmp_path / "materials").mkdir()
    own = LACQUER.replace("hours: 1.0, basis", "hours: 1.5, basis")
    (tmp_path / "materials" / "mine.yaml").write_text(own)
    assert load_catalogue(tmp_path).materials["nitro-lacquer-gun"].marks["recoat"].hours == 1.5
