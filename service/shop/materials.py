"""A finishing material: what is in it, how long it takes, and the limits it asks for."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

from service.science.drying import DryingLaw
from service.science.film import Blend

__all__ = ["Coating", "Figure", "Limits", "Mark", "Material"]


@dataclass(frozen=True)
class Figure:
    """A number and what it rests on: a standard, `common practice` or `assumed`."""

    value: float
    basis: str


@dataclass(frozen=True)
class Mark:
    """A point of the drying clock: reference hours from coat to mark.

    ``low_hours`` to ``high_hours`` is the span that practice gives, read as an 80 % range. Where
    ``closes_hours`` is set the mark opens a window that closes again by the same clock: a coat that
    comes later wants the one below scuffed first.
    """

    name: str
    hours: float
    low_hours: float
    high_hours: float
    basis: str
    closes_hours: float | None = None
    closes_basis: str = ""


@dataclass(frozen=True)
class Limits:
    """What the air must keep to while a coat goes on and flashes off."""

    air_min_c: Figure
    air_max_c: Figure
    rh_max_pct: Figure
    dew_point_margin_k: Figure
    blush_margin_k: Figure | None
    """Least margin of film floor over dew point; None where a material does not blush."""


@dataclass(frozen=True)
class Material:
    """A material as it is applied, with the figures that clocks and checks use."""

    id: str
    name: str
    family: str
    blend: Blend | None
    """None where the material is wiped or brushed on and has no film in flight to chill."""
    usual_wet_um: float
    retarder: str | None
    drying: DryingLaw
    marks: Mapping[str, Mark]
    limits: Limits
    cautions: tuple[str, ...]
    note: str = ""
    pot_life_h: Figure | None = None
    """How long a mix may be used, in hours; None where nothing is mixed."""
    volume_solids: Figure | None = None
    """Part of the wet film that stays, by volume; None: as the blend tells, if there is one."""

    @property
    def sprayed(self) -> Blend:
        """The blend of a material that is sprayed; ValueError where it is not."""
        if self.blend is None:
            raise ValueError(f"material: {self.name} is not sprayed")
        return self.blend


@dataclass(frozen=True)
class Coating:
    """How the coat would be put on, and on what.

    ``h_w_m2k`` is the heat-transfer coefficient of the moving air over the work, radiation
    apart; 10 stands for the slow draught of a small booth (assumed).
    """

    wet_um: float
    retarder_pct: float = 0.0
    plate_mm: float = 3.0
    h_w_m2k: float = 10.0
