"""The pieces of the season: when each was coated, by the air, and which flaw that made.

Every piece follows the plain schedule, ten clear coats over a sealer. The finisher waits for good
air; each story then departs from the routine in one thing, and that one thing makes its flaw.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import replace
from datetime import datetime, timedelta

import numpy as np

from service.demo.acts import Act, Found, Story
from service.demo.plot import BLUSHES_K, RETARDER_PCT, Plot, Slot
from service.demo.routine import CLEAR_COATS, MARIT, ODO, Coats, Done, as_usual, story_of

__all__ = ["FIRST_NUMBER", "stories"]

FIRST_NUMBER = 19

INSTRUMENTS = (
    ("Concert ukulele", "mahogany", 2.0), ("Mandolin, flat back", "spruce and maple", 3.2),
    ("Parlour guitar", "spruce and walnut", 2.8), ("Tenor ukulele", "cherry", 2.1),
    ("Lap harp", "maple", 4.0), ("Bouzouki", "spruce and ash", 3.0),
    ("Mountain dulcimer", "cherry", 3.0), ("Baritone ukulele", "spruce and mahogany", 2.4),
    ("Mandola", "spruce and maple", 3.6), ("Travel guitar", "cedar and sapele", 2.6),
    ("Octave mandolin", "spruce and walnut", 3.8),
)  # fmt: skip


def stories(plot: Plot, seed: int) -> list[Story]:
    """Tell every piece of the season, in the order in which they came, with their numbers."""
    rng = np.random.default_rng(seed)
    made = [*_damp_evenings(plot), *_by_handling(plot), *_by_the_house(plot), *_clean(plot)]
    told = []
    for n, (done, found) in enumerate(made):
        kind, woods, plate_mm = INSTRUMENTS[n % len(INSTRUMENTS)]
        who = (MARIT, ODO)[n % 2]
        told.append(story_of(plot, done, found, (kind, woods, plate_mm), who, rng))
    told.sort(key=lambda story: story.came_at)
    return [replace(s, number=str(FIRST_NUMBER + n)) for n, s in enumerate(told)]


Made = tuple[Done, Found | None]


def _damp_evenings(plot: Plot) -> list[Made]:
    """Last coats that went on although the air had turned: they blushed. And some with retarder."""
    first, last = _room(plot)

    def damp(slot: Slot) -> bool:
        return slot.heard and first <= slot.at <= last

    clear_cut = plot.find(lambda s: damp(s) and 0.3 <= s.margin_k <= 1.6 and s.rh_pct <= 63.0)
    any_damp = plot.find(lambda s: damp(s) and s.margin_k < BLUSHES_K and s.rh_pct <= 72.0)
    blushed = _spread(clear_cut, any_damp, 4, days=4)
    notes = (
        "White bloom over the lower bout this morning. It was clear when I hung it up.",
        "Milky along the edge and round the sound hole.",
        "Cloudy patch on the back, the size of a hand.",
        "Went grey within a minute of the coat. Wanted to be done before the weekend.",
    )
    parts, told = ("top", "top", "back", "back"), []
    for n, slot in enumerate(blushed):
        found = Found(
            plot.day(slot.at, 1, 8.4), "blush", parts[n], 2 if n % 2 else 1, notes[n],
            (MARIT, ODO)[n % 2], "damp_air", confirmed=n == 0,
        )  # fmt: skip
        told.append(
            (Done((*as_usual(plot.good_before(slot.at, CLEAR_COATS - 1)), (slot, {}))), found)
        )
    slow = {"retarder_pct": RETARDER_PCT, "note": "Damp: ten per cent of retarder in it."}
    taken = {slot.at for slot in blushed}
    # In air as damp the same lacquer stays clear with a slow solvent in it.
    kept = plot.find(
        lambda s: damp(s) and s.at not in taken and s.margin_k < BLUSHES_K
        and s.retarded_k >= BLUSHES_K and s.rh_pct <= 64.0
    )  # fmt: skip
    return told + [
        (Done((*as_usual(plot.good_before(s.at, CLEAR_COATS - 1)), (s, dict(slow)))), None)
        for s in _spread(kept, [], 3, days=4)
    ]


def _by_handling(plot: Plot) -> list[Made]:
    """Flaws that somebody's hands made, in air that had no part in it."""
    ten = _ten_by(plot, 0.25)
    printed, sunk, popped, craters, far, dust = (ten(n) for n in range(6))
    soon = replace(popped[6], at=popped[6].at + timedelta(minutes=20))
    popped = [*popped[:7], soon, *popped[7:9]]
    # What hung beside it and was coated in the same rounds stayed clean: so it was not the air.
    beside = [replace(slot, at=slot.at + timedelta(minutes=10)) for slot in craters]
    far_out: Coats = (*as_usual(far[:-1]), (far[-1], {"distance_cm": 34.0}))
    return [
        (
            Done(as_usual(printed), cased_day=1.3),
            Found(
                plot.day(printed[-1].at, 4, 9.2), "printing", "back", 2,
                "The lining of the case is in it, weave and all.", ODO, "handled_early",
                confirmed=True,
            ),
        ),
        (
            Done(as_usual(sunk), level_day=3),
            Found(
                plot.day(sunk[-1].at, 19, 10.5), "sink_back", "top", 2,
                "Flat as glass when it was rubbed out; now every pore shows in raking light.",
                MARIT, "levelled_early",
            ),
        ),
        (
            Done(as_usual(popped)),
            Found(
                popped[7].at + timedelta(minutes=50), "solvent_pop", "back", 2,
                "Blisters like pin heads. The coat before was hardly dry, I was in a hurry.",
                ODO, "recoated_early",
            ),
        ),
        (
            Done(as_usual(craters)),
            Found(
                plot.day(craters[-1].at, 1, 8.6), "fisheyes", "top", 3,
                "Little craters round the bridge. It was polished with something at the last shop.",
                MARIT, "contamination",
            ),
        ),
        (Done(as_usual(beside)), None),
        (
            Done(far_out),
            Found(
                plot.day(far[-1].at, 1, 9.0), "orange_peel", "sides", 1,
                "Pebbled on both sides. Stood back too far because of the new hose.",
                ODO, "too_far",
            ),
        ),
        (
            Done(as_usual(dust)),
            Found(
                dust[-1].at + timedelta(hours=1), "other", "top", 1,
                "Dust in the last coat. Somebody swept next door while it was wet.", MARIT, "",
            ),
        ),
    ]  # fmt: skip


def _by_the_house(plot: Plot) -> list[Made]:
    """A cold night, the stove's dry fortnight, and the days in which nothing was measured."""
    spans = plot.air.spans
    cold = plot.good_before(spans.coldest - timedelta(days=17), CLEAR_COATS)
    night = (
        Act(spans.coldest, "hang", "outdoors"),
        Act(plot.day(spans.coldest, 1, 8.2), "hang", "rack"),
    )
    moved = plot.good_before(spans.stove[0] - timedelta(days=2), CLEAR_COATS)
    unheard = min((s for s in plot.slots if not s.heard), key=_margin)
    guessed = [*plot.good_before(unheard.at, CLEAR_COATS - 1), unheard]
    return [
        (
            Done(as_usual(cold), extra=night),
            Found(
                plot.day(spans.coldest, 1, 10.0), "cold_checks", "top", 3,
                "Fine cracks across the grain, all of them new. It spent the night in the van.",
                ODO, "cold_swing", confirmed=True,
            ),
        ),
        (
            Done(as_usual(moved)),
            Found(
                plot.day(spans.stove[1], -1, 9.5), "plate_moved", "top", 2,
                "The top has sunk in front of the bridge; a straight edge shows daylight.",
                MARIT, "wood_dried",
            ),
        ),
        (
            Done(as_usual(guessed)),
            Found(
                unheard.at + timedelta(hours=3), "blush", "sides", 2,
                "Grey on both sides. The sensors were off, so I went by the feel of it.",
                ODO, "damp_air",
            ),
        ),
    ]  # fmt: skip


def _clean(plot: Plot) -> list[Made]:
    """Pieces that nothing went wrong with."""
    ten = _ten_by(plot, 0.75)
    return [(Done(as_usual(ten(n))), None) for n in range(5)]


# -- finding a time ---------------------------------------------------------------------------


def _room(plot: Plot) -> tuple[datetime, datetime]:
    """Between when a last coat may lie, so that the whole piece lies in the season."""
    spans = plot.air.spans
    for slot in plot.slots:
        coats = plot.good_before(slot.at, CLEAR_COATS + 1)
        if len(coats) == CLEAR_COATS + 1 and coats[0].at > spans.begin + timedelta(days=6):
            return slot.at, spans.end - timedelta(days=22)
    raise ValueError("the season has too little air to spray in")


def _ten_by(plot: Plot, into: float) -> Callable[[int], list[Slot]]:
    """Return the coats of a piece that was through with them in the nth sixth of the season."""
    first, last = _room(plot)
    return lambda n: plot.good_before(first + (last - first) * ((n + into) / 6.0), CLEAR_COATS)


def _spread(best: Sequence[Slot], rest: Sequence[Slot], many: int, *, days: int) -> list[Slot]:
    """Choose the dampest that lie so many days apart, from the best while there are any."""
    chosen: list[Slot] = []
    for slot in [*sorted(best, key=_margin), *sorted(rest, key=_margin)]:
        if len(chosen) == many:
            break
        if all(abs(slot.at - other.at) >= timedelta(days=days) for other in chosen):
            chosen.append(slot)
    return sorted(chosen, key=lambda slot: slot.at)


def _margin(slot: Slot) -> float:
    return slot.margin_k
