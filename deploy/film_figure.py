"""Draw dashboards/docs/film.png: one coat in dry and in damp air, from touch-down until it sets.

Run: ``python deploy/film_figure.py`` (needs the development dependencies). The coat is the shipped
lacquer for the gun, 100 µm wet on a 3 mm spruce top in a draught of 10 W/(m² K).
"""

from __future__ import annotations

from pathlib import Path

import matplotlib as mpl

mpl.use("Agg")

import matplotlib.pyplot as plt
from matplotlib.axes import Axes

from service.science import air, film
from service.store.catalogue import load_catalogue

TARGET = Path(__file__).resolve().parents[1] / "dashboards" / "docs" / "film.png"
MATERIAL = "nitro-lacquer-gun"
AIR_C = 24.0
DRY_RH, DAMP_RH = 40.0, 75.0
FILM = {"wet_um": 100.0, "h_w_m2k": 10.0, "plate_mm": 3.0}


def temperatures(axes: Axes, course: film.FilmCourse, rh_pct: float) -> None:
    """Draw film, air and dew point."""
    dew_point = air.dew_point(AIR_C, rh_pct)
    axes.plot(course.time_s, course.film_c, color="#b3391f", lw=2, label="film")
    axes.axhline(AIR_C, color="#777777", lw=1, label="air")
    axes.axhline(dew_point, color="#1f5f8b", lw=1.4, ls="--", label="dew point")
    floor = course.summary
    axes.plot(floor.floor_at_s, floor.film_floor_c, "v", color="#b3391f", ms=7, label="film floor")
    axes.set_ylim(9.0, 25.0)
    axes.set_title(f"{AIR_C:g} °C, {rh_pct:g} % RH", fontsize=11)


def composition(axes: Axes, course: film.FilmCourse) -> None:
    """Draw how much of each solvent the film still holds."""
    held = {n: 1e3 * g for n, g in zip(course.species, course.held_kg_m2, strict=True)}
    held.pop("water")
    shades = plt.get_cmap("YlGnBu_r")([i / (len(held) + 1.0) for i in range(len(held))])
    axes.stackplot(course.time_s, *held.values(), labels=list(held), colors=shades)
    axes.set_ylim(0.0, 80.0)


def water(axes: Axes, course: film.FilmCourse) -> None:
    """Draw the water in the film, and the part of it that condensed below the dew point."""
    held = 1e3 * course.held_kg_m2[course.species.index("water")] + course.free_water_g_m2
    axes.plot(course.time_s, held, color="#5a9bbf", lw=1.6, label="all water in the film")
    axes.fill_between(
        course.time_s, course.condensed_g_m2, color="#1f5f8b", alpha=0.6, label="condensed"
    )
    axes.set_ylim(0.0, 5.0)
    axes.set_xlabel("seconds after touch-down, until the film sets")


def main() -> None:
    """Draw and write the figure."""
    blend = load_catalogue().materials[MATERIAL].blend
    figure, rows = plt.subplots(3, 2, figsize=(9.0, 8.0), sharex="col", sharey="row")
    for column, rh_pct in enumerate((DRY_RH, DAMP_RH)):
        course = film.simulate(blend, AIR_C, rh_pct, **FILM)
        temperatures(rows[0, column], course, rh_pct)
        composition(rows[1, column], course)
        water(rows[2, column], course)
    for axes, label in zip(rows[:, 0], ("°C", "solvent, g/m²", "water, g/m²"), strict=True):
        axes.set_ylabel(label)
        axes.legend(fontsize=7.5, loc="upper right", framealpha=0.9)
    for axes in rows.flat:
        axes.spines[["top", "right"]].set_visible(False)
        axes.margins(x=0.01)
    figure.tight_layout()
    TARGET.parent.mkdir(exist_ok=True)
    figure.savefig(TARGET, dpi=100)
    print(f"wrote {TARGET.name}: {TARGET.stat().st_size / 1000:.0f} kB")


if __name__ == "__main__":
    main()
