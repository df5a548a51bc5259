"""The fast film beside the full one: speed in one run, and error on many random films."""

from __future__ import annotations

import sys
from pathlib import Path

import numpy as np
import pytest
from stopwatch import in_turns, table

from service.science import film

sys.path.insert(0, str(Path(__file__).parents[1] / "science"))
from blends import BLENDS, NITROCELLULOSE_GUN
from test_film_fast import FLOOR_K, drawn, taken

pytestmark = pytest.mark.bench

MANY, ERRORS_EACH = 2048, 60
FILMS = drawn(np.random.default_rng(0), MANY) | {"plate_mm": 3.0}
ONE = taken(FILMS, 0)


def test_fast_beside_full():
    """Aim: thousands of evaluations a second on one core, a single one in milliseconds."""
    seconds = in_turns(
        {
            "full model, one film": lambda: film.simulate(NITROCELLULOSE_GUN, **ONE),
            "fast form, one film": lambda: film.floor(NITROCELLULOSE_GUN, **ONE),
            f"fast form, {MANY} films": lambda: film.floor(NITROCELLULOSE_GUN, **FILMS),
        },
        turns=5,
    )
    each = seconds[f"fast form, {MANY} films"] / MANY
    notes = {f"fast form, {MANY} films": f"{1 / each:.0f} a second on one core"}
    table("film floor", seconds, "full model, one film", notes)
    ratio = seconds["full model, one film"] / each
    print(f"  a film in a lot costs 1/{ratio:.0f} of the full model")
    assert 1.0 / each > 1000.0
    assert ratio > 100.0
    assert seconds["fast form, one film"] < 0.5 * seconds["full model, one film"]


def test_error_on_many_random_films():
    """What the ordinary tests ask of a few films, measured on many of each blend."""
    print("\nfilm floor, fast less full, K")
    together = []
    for seed, (name, blend) in enumerate(BLENDS.items()):
        films = drawn(np.random.default_rng(1000 + seed), ERRORS_EACH)
        fast = film.floor(blend, **films).film_floor_c
        full = [
            film.simulate(blend, **taken(films, k)).summary.film_floor_c for k in range(ERRORS_EACH)
        ]
        error = fast - np.array(full)
        together.append(error)
        print(f"  {name:<28} rms {np.sqrt((error**2).mean()):.3f}  worst {np.abs(error).max():.3f}")
    all_of_them = np.concatenate(together)
    rms, worst = np.sqrt((all_of_them**2).mean()), np.abs(all_of_them).max()
    print(f"  {'all ' + str(all_of_them.size):<28} rms {rms:.3f}  worst {worst:.3f}")
    assert worst < FLOOR_K
