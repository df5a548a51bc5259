"""Film build: from coats to thickness, and what levelling leaves of it.

Thicknesses are µm. Volume solids, transfer and thinner are fractions, named as such. Scalars or
arrays; out of range or NaN raises ValueError naming the argument. The relations are definitions:
a litre spread over a square metre is a millimetre.
"""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from types import MappingProxyType

from service.science._checks import Quantity, as_given, within

__all__ = [
    "ABRASIVES_UM",
    "Build",
    "Levelling",
    "coverage",
    "dry_film",
    "grain_size",
    "level",
    "scratch_depth",
    "stack",
    "volume_solids",
    "wet_film",
    "wet_film_for",
]

ABRASIVES_UM: Mapping[str, float] = MappingProxyType(
    {
        "P60": 269.0,
        "P80": 201.0,
        "P100": 162.0,
        "P120": 125.0,
        "P150": 100.0,
        "P180": 82.0,
        "P220": 68.0,
        "P240": 58.5,
        "P280": 52.2,
        "P320": 46.2,
        "P360": 40.5,
        "P400": 35.0,
        "P500": 30.2,
        "P600": 25.8,
        "P800": 21.8,
        "P1000": 18.3,
        "P1200": 15.3,
        "P1500": 12.6,
        "P2000": 10.3,
        "P2500": 8.4,
    }
)
"""Median grain size by FEPA grade, µm: FEPA 43-1 / ISO 6344 (micro grits' d50; macro grits' average
grain size). Some from memory: see the check values."""

SCRATCH_SHARE = 0.25
"""Depth of a scratch over the grain that makes it, sanding by hand (assumed)."""

CAUTIOUS_SD = 2.0
"""A warning is given where what is left may be this many standard deviations less."""


def volume_solids(
    mass_solids: Quantity | float,
    solids_density_kg_m3: Quantity | float,
    liquid_density_kg_m3: Quantity | float,
) -> Quantity:
    """Volume fraction of solids from their mass fraction, by adding up volumes.

    `mass_solids` 0 to 1; densities of what stays and of what evaporates, 500 to 5,000 kg/m³.
    """
    mass = within("mass_solids", mass_solids, 0.0, 1.0)
    dry = mass / within("solids_density_kg_m3", solids_density_kg_m3, 500.0, 5000.0, "kg/m³")
    liquid = (1.0 - mass) / within(
        "liquid_density_kg_m3", liquid_density_kg_m3, 500.0, 5000.0, "kg/m³"
    )
    return as_given(dry / (dry + liquid), mass_solids, solids_density_kg_m3, liquid_density_kg_m3)


def wet_film(
    volume_l: Quantity | float, area_m2: Quantity | float, transfer: Quantity | float = 1.0
) -> Quantity:
    """Wet film, µm, of so many litres over an area, of which `transfer` (0.01 to 1) lands.

    `volume_l` 0 to 1,000 l, `area_m2` 1e-4 to 1e5 m².
    """
    landed = within("volume_l", volume_l, 0.0, 1000.0, "l") * within(
        "transfer", transfer, 0.01, 1.0
    )
    area = within("area_m2", area_m2, 1e-4, 1e5, "m²")
    return as_given(1000.0 * landed / area, volume_l, area_m2, transfer)


def dry_film(
    wet_um: Quantity | float, volume_solids: Quantity | float, thinner: Quantity | float = 0.0
) -> Quantity:
    """Dry film, µm, of a wet one: wet * solids / (1 + thinner).

    `wet_um` 0 to 5,000 µm; `volume_solids` of the material before thinning, 0 to 1; `thinner` by
    volume per volume of material, 0 to 5.
    """
    wet = within("wet_um", wet_um, 0.0, 5000.0, "µm")
    solids = within("volume_solids", volume_solids, 0.0, 1.0)
    thinned = 1.0 + within("thinner", thinner, 0.0, 5.0)
    return as_given(wet * solids / thinned, wet_um, volume_solids, thinner)


def wet_film_for(
    dry_um: Quantity | float, volume_solids: Quantity | float, thinner: Quantity | float = 0.0
) -> Quantity:
    """Wet film, µm, that leaves this dry one; `dry_film` undone. `volume_solids` 0.001 to 1."""
    dry = within("dry_um", dry_um, 0.0, 5000.0, "µm")
    solids = within("volume_solids", volume_solids, 0.001, 1.0)
    thinned = 1.0 + within("thinner", thinner, 0.0, 5.0)
    return as_given(dry * thinned / solids, dry_um, volume_solids, thinner)


def coverage(
    volume_solids: Quantity | float, dry_um: Quantity | float, transfer: Quantity | float = 1.0
) -> Quantity:
    """Area, m², that a litre covers at a dry thickness: 1000 solids transfer / dry.

    `volume_solids` 0.001 to 1, `dry_um` 0.1 to 5,000 µm, `transfer` 0.01 to 1.
    """
    solids = within("volume_solids", volume_solids, 0.001, 1.0)
    dry = within("dry_um", dry_um, 0.1, 5000.0, "µm")
    landed = within("transfer", transfer, 0.01, 1.0)
    return as_given(1000.0 * solids * landed / dry, volume_solids, dry_um, transfer)


def grain_size(grade: str) -> float:
    """Median grain size, µm, of a FEPA grade such as "P320"."""
    try:
        return ABRASIVES_UM[grade.upper()]
    except KeyError:
        msg = f"grade must be one of {', '.join(ABRASIVES_UM)}, got {grade!r}"
        raise ValueError(msg) from None


def scratch_depth(grade: str) -> float:
    """Depth, µm, of the scratches a grade leaves: what the next one has to take off (assumed)."""
    return SCRATCH_SHARE * grain_size(grade)


@dataclass(frozen=True)
class Build:
    """A dry film and how sure it is, µm."""

    dry_um: float
    sd_um: float


def stack(
    coats_um: Sequence[float], *, each: float = 0.25, shared: float = 0.15, sanded_um: float = 0.0
) -> Build:
    """Dry film of several coats.

    Parameters
    ----------
    coats_um
        Dry thickness of each, 0 to 5,000 µm.
    each, shared
        Relative standard deviations, 0 to 1, of a coat by itself (how many passes, how fast) and of
        what all coats have in common (solids, transfer, the hand): both assumed. The first average
        out over many coats, the second do not.
    sanded_um
        Taken off between coats, 0 to 5,000 µm, its standard deviation half of it (assumed).
    """
    total = squares = 0.0
    for coat in coats_um:
        within("coats_um", coat, 0.0, 5000.0, "µm")
        total += coat
        squares += coat * coat
    own = float(within("each", each, 0.0, 1.0)) * math.sqrt(squares)
    common = float(within("shared", shared, 0.0, 1.0)) * total
    sanded = float(within("sanded_um", sanded_um, 0.0, 5000.0, "µm"))
    return Build(max(0.0, total - sanded), math.hypot(own, common, 0.5 * sanded))


@dataclass(frozen=True)
class Levelling:
    """What levelling leaves, µm, and whether it may go through.

    Attributes
    ----------
    removed_um
        Texture and the first grade's scratches, which the finer ones have to take off.
    left_um, left_sd_um
        Film left over the lowest spots, and its standard deviation.
    least_um
        On the cautious side: `left_um` less two standard deviations, not below 0.
    sand_through
        Whether `least_um` is below the film to keep.
    """

    removed_um: float
    left_um: float
    left_sd_um: float
    least_um: float
    sand_through: bool


def level(
    build: Build,
    *,
    texture_um: float,
    first_grade: str,
    keep_um: float,
    texture_sd_um: float | None = None,
) -> Levelling:
    """What sanding level leaves of a film.

    Sanding has to reach the bottom of the texture (peel, dust, runs) and then of the first grade's
    scratches. Edges and corners wear several times faster than flats: this speaks of flats.

    Parameters
    ----------
    build
        The film before, from `stack`.
    texture_um
        From peak to valley, 0 to 1,000 µm.
    first_grade
        The coarsest grade used, such as "P800".
    keep_um
        What must be left, for rubbing out and wear, 0 to 1,000 µm.
    texture_sd_um
        0 to 1,000 µm; None: half of `texture_um` (assumed).
    """
    texture = float(within("texture_um", texture_um, 0.0, 1000.0, "µm"))
    given_sd = 0.5 * texture if texture_sd_um is None else texture_sd_um
    texture_sd = float(within("texture_sd_um", given_sd, 0.0, 1000.0, "µm"))
    keep = float(within("keep_um", keep_um, 0.0, 1000.0, "µm"))
    within("build.dry_um", build.dry_um, 0.0, 1e6, "µm")
    scratches = scratch_depth(first_grade)
    removed = texture + scratches
    left = build.dry_um - removed
    # The depth sanded beyond need is the hand's: half the scratch depth of the first grade.
    sd = math.hypot(build.sd_um, texture_sd, 0.5 * scratches)
    least = max(0.0, left - CAUTIOUS_SD * sd)
    return Levelling(removed, max(0.0, left), sd, least, least < keep or left <= 0.0)
