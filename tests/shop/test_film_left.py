"""Film that lies and what levelling leaves of it, reckoned by hand beside the code."""

from __future__ import annotations

import dataclasses

import pytest

from service.shop.film_left import Applied, Handwork, film_left, solids_by_volume
from service.shop.materials import Figure
from service.shop.schedule import Step
from service.store.catalogue import Catalogue, load_catalogue


@pytest.fixture(scope="module")
def catalogue() -> Catalogue:
    return load_catalogue()


def test_solids_by_volume_from_the_blend_by_hand(catalogue: Catalogue) -> None:
    # 17 % solids of 1250 kg/m³ by mass: 0.136 l a kilogram. Its solvents weigh 0.80 to 0.90 kg/l,
    # so 0.83 kg of them are 0.92 to 1.04 l, and the solids are 11.6 to 12.9 % of the volume.
    found = solids_by_volume(catalogue.materials["nitro-lacquer-gun"])
    assert found is not None
    assert 0.116 < found < 0.129


def test_a_cans_gas_is_gone_before_the_film_is_measured(catalogue: Catalogue) -> None:
    # 10 % solids and 33 % gas: 10 parts in 67 by mass, 14.9 %; of 0.85 kg/l about 10.6 % by volume.
    found = solids_by_volume(catalogue.materials["nitro-lacquer-can"])
    assert found == pytest.approx(0.106, abs=0.008)


def test_a_given_figure_goes_before_the_blend(catalogue: Catalogue) -> None:
    can = catalogue.materials["nitro-lacquer-can"]
    told = dataclasses.replace(can, volume_solids=Figure(0.2, "data sheet"))
    assert solids_by_volume(told) == 0.2
    assert solids_by_volume(catalogue.materials["hot-hide-glue"]) is None


def coats(catalogue: Catalogue, count: int, kind: str = "clear_coat") -> list[Applied]:
    material = dataclasses.replace(
        catalogue.materials["nitro-lacquer-gun"], volume_solids=Figure(0.125, "data sheet")
    )
    return [Applied(kind, material, 80.0) for _ in range(count)]


def test_ten_thin_coats_by_hand(catalogue: Catalogue) -> None:
    schedule = catalogue.schedules["lacquer-clear"]
    found = film_left(coats(catalogue, 10), [], schedule, 4)
    # 80 µm wet of 12.5 % solids leave 10 µm, ten of them 100 µm.
    assert found.dry_um == pytest.approx(100.0)
    # Each by itself 25 % and all together 15 %: sqrt(10) * 2.5 and 15 µm.
    assert found.sd_um == pytest.approx((7.906**2 + 15.0**2) ** 0.5, abs=0.01)
    # Levelling takes the texture (20 µm) and the scratches of P800 (a quarter of 21.8 µm).
    assert (found.next_step, found.first_grade) == ("Level sand", "P800")
    assert found.left_um == pytest.approx(100.0 - 20.0 - 5.45)
    assert found.least_um is not None
    assert found.least_um < found.left_um
    # sqrt(17² + 10² + 2.7²) = 19.9 µm in all: 74.5 less twice that is 35 µm, above the 25 to keep.
    assert found.least_um == pytest.approx(74.55 - 2 * 19.9, abs=0.3)
    assert not found.sand_through


def test_more_coats_make_it_safe_and_fewer_do_not(catalogue: Catalogue) -> None:
    schedule = catalogue.schedules["lacquer-clear"]
    warned = [
        film_left(coats(catalogue, n), [], schedule, 4).sand_through for n in (2, 6, 10, 14, 20)
    ]
    assert warned[:2] == [True, True]
    assert not warned[-1]
    assert warned == sorted(warned, reverse=True)


def test_only_what_lies_over_the_colour_counts(catalogue: Catalogue) -> None:
    under, colour, clear = (
        coats(catalogue, 2, "seal"), coats(catalogue, 1, "burst"), coats(catalogue, 4)
    )  # fmt: skip
    found = film_left([*under, *colour, *clear], [], None, 0)
    assert (found.over, found.coats, found.dry_um) == ("colour", 4, pytest.approx(40.0))
    # A scuff of the sealer took nothing of the clear film; one between clear coats did.
    before = film_left([*under, *colour, *clear], [Handwork("scuff_sand", 2)], None, 0)
    assert before.dry_um == found.dry_um
    between = film_left([*under, *colour, *clear], [Handwork("level_sand", 5, 12.0)], None, 0)
    assert between.dry_um == pytest.approx(28.0)


def test_a_retarder_thins_the_coat(catalogue: Catalogue) -> None:
    (one,) = coats(catalogue, 1)
    found = film_left([dataclasses.replace(one, retarder_pct=10.0)], [], None, 0)
    assert found.dry_um == pytest.approx(9.0)


def test_what_is_not_known_is_named(catalogue: Catalogue) -> None:
    glue = Applied("glue", catalogue.materials["hot-hide-glue"], 100.0)
    found = film_left([*coats(catalogue, 1), glue], [], None, 0)
    assert found.unknown == ("Hot hide glue",)
    assert found.dry_um == pytest.approx(10.0)


def test_coats_to_come_count_for_what_levelling_leaves(catalogue: Catalogue) -> None:
    schedule = catalogue.schedules["lacquer-clear"]
    (one,) = coats(catalogue, 1)
    on = [dataclasses.replace(one, step_key="clear") for _ in range(3)]

    def usual(step: Step) -> Applied | None:
        return one if step.material else None

    # Three of ten clear coats are on: seven of 10 µm dry are still to come.
    found = film_left(on, [], schedule, 3, usual)
    assert (found.dry_um, found.coats_to_come) == (pytest.approx(30.0), 7)
    assert found.left_um == pytest.approx(100.0 - 25.45)
    assert not found.sand_through
    assert film_left(on, [], schedule, 4, usual).sand_through  # if it were levelled now


def test_under_a_colour_to_come_nothing_is_warned_of(catalogue: Catalogue) -> None:
    schedule = catalogue.schedules["lacquer-shaded-edge"]
    (one,) = coats(catalogue, 1, "seal")

    def usual(step: Step) -> Applied | None:
        return dataclasses.replace(one, kind=step.kind) if step.material else None

    found = film_left([one], [], schedule, 1, usual)
    assert (found.next_step, found.sand_through) == (None, False)
