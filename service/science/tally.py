"""What the fast form keeps of its films: notes of each step, worked up block by block."""

from __future__ import annotations

from dataclasses import fields

import numpy as np
from numpy.typing import NDArray

from service.science._checks import FloatArray
from service.science.balances import solvent_volumes
from service.science.blend import Blend
from service.science.course import HORIZON_S
from service.science.films import Films, Outcome
from service.science.liquid import Liquid

__all__ = ["Tally"]

_Note = tuple[FloatArray, ...]
"""Of each film: time, temperature, condensed, all and free water, solvent left and released."""


class Tally:
    """Notes each step of the films, and works up what is asked of them block by block."""

    def __init__(self, blend: Blend, liquid: Liquid, films: Films, laydown_s: float) -> None:
        self.laydown_s = laydown_s
        self.volumes = solvent_volumes(blend, liquid)
        self.water, self.separates = liquid.water, liquid.separates
        self.solvent_mass = liquid.molar_mass.copy()
        self.solvent_mass[liquid.water] = 0.0
        self.notes: list[_Note] = []
        count = films.time.size
        starts = {field.name: np.zeros(count) for field in fields(Outcome)}
        starts |= {"floor_k": np.full(count, np.inf), "set_at_s": np.full(count, np.inf)}
        self.outcome = Outcome(**starts | {"sprayed": films.sprayed})
        self.note(films)

    def note(self, films: Films) -> None:
        """Remember the state after a step."""
        wet = films.wet
        water = wet.moles[:, self.water]
        free = np.maximum(water - wet.room, 0.0) if self.separates else np.zeros_like(water)
        left = wet.moles @ self.volumes
        released = (films.laid * films.landed - wet.moles) @ self.solvent_mass
        self.notes.append((films.time, wet.kelvin, films.condensed, water, free, left, released))

    def close(self, films: Films) -> NDArray[np.bool_]:
        """Work the block up; return which films are still to be followed."""
        time, kelvin, condensed, water, free, left, released = map(
            np.stack, zip(*self.notes, strict=True)
        )
        rows, films_at = np.arange(time.shape[0])[:, None], np.arange(time.shape[1])
        laid = time >= 0.999 * self.laydown_s
        set_now = (left <= films.limit) & laid
        ends = set_now | (time >= HORIZON_S)
        last = np.where(ends.any(axis=0), ends.argmax(axis=0), time.shape[0] - 1)
        before = np.maximum(last - 1, 0)
        sets, stays = set_now[last, films_at], time[last, films_at] > HORIZON_S
        part = np.where(
            sets & laid[before, films_at],
            _part(left[before, films_at], left[last, films_at], films.limit),
            np.where(stays, _part(time[before, films_at], time[last, films_at], HORIZON_S), 1.0),
        )
        for course in (time, kelvin, condensed, water, free, released):  # the last step ends there
            start = course[before, films_at]
            course[last, films_at] = start + part * (course[last, films_at] - start)
        alive = rows <= last
        out, row = self.outcome, films.row
        kelvin = np.where(alive, kelvin, np.inf)
        coldest = kelvin.argmin(axis=0)
        lower = kelvin[coldest, films_at] < out.floor_k[row]
        out.floor_k[row[lower]] = kelvin[coldest, films_at][lower]
        out.floor_at_s[row[lower]] = time[coldest, films_at][lower]
        rate = np.diff(released, axis=0) / np.maximum(np.diff(time, axis=0), 1e-9)
        for peak, course in (
            (out.condensed_peak, condensed),
            (out.water_peak, water),
            (out.peak, rate),
        ):
            heights = np.where(alive[-course.shape[0] :], course, 0.0).max(axis=0)
            peak[row] = np.maximum(peak[row], heights)
        out.condensed_at_set[row] = condensed[last, films_at]
        out.water_at_set[row] = water[last, films_at]
        out.free_at_set[row] = free[last, films_at]
        out.released[row] = released[last, films_at]
        end = time[last, films_at]
        sets &= end <= HORIZON_S
        out.set_at_s[row[sets]] = end[sets]
        keep: NDArray[np.bool_] = ~sets & (end < HORIZON_S)
        self.notes = [tuple(course[keep] for course in self.notes[-1])]
        return keep


def _part(start: FloatArray, end: FloatArray, mark: FloatArray | float) -> FloatArray:
    """How far along a step something reaches a mark, 0 to 1."""
    way = end - start
    return np.asarray(np.clip((mark - start) / np.where(way == 0.0, 1.0, way), 0.0, 1.0))
