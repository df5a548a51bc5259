"""A finishing material as it is applied: what is in it and how it is put on."""

from __future__ import annotations

import math
from dataclasses import dataclass

from service.science.solvents import get

__all__ = ["METHODS", "Blend", "Method"]


@dataclass(frozen=True)
class Method:
    """How a material travels to the work.

    Attributes
    ----------
    drop_um : float
        Mean drop as it leaves the gun or can, µm; 0 where nothing flies.
    flight_s : float
        Time from nozzle to work, s.
    air_kg_kg : float
        Air that travels with each kg of liquid (of the gun and drawn in), kg/kg.
    laydown_s : float
        Time over which one spot is covered, pass over pass, s.
    """

    drop_um: float
    flight_s: float
    air_kg_kg: float
    laydown_s: float


METHODS: dict[str, Method] = {
    "gun": Method(drop_um=55.0, flight_s=0.018, air_kg_kg=12.0, laydown_s=3.0),
    "aerosol": Method(drop_um=45.0, flight_s=0.030, air_kg_kg=12.0, laydown_s=3.0),
    "brush": Method(drop_um=0.0, flight_s=0.0, air_kg_kg=0.0, laydown_s=3.0),
    "pad": Method(drop_um=0.0, flight_s=0.0, air_kg_kg=0.0, laydown_s=3.0),
}
"""All figures `assumed`: mid-values of fine finishing sprays at 20 to 25 cm from the work."""


@dataclass(frozen=True)
class Blend:
    """A material as it is applied, by mass.

    Attributes
    ----------
    solvents : tuple of (str, float)
        Names in `solvents.SOLVENTS` and mass fractions of the whole material; water is one of them.
    solids_pct : float
        What never evaporates, % by mass of the whole material.
    polymer_density_kg_m3 : float
        Density of the solids.
    polymer_chi : float or None
        Flory-Huggins interaction with the solvents, where the polymer is dissolved. None for a
        dispersion, whose particles leave the liquid's activity as it is until they pack.
    water_chi : float
        Flory-Huggins interaction of water with the polymer; unused in a dispersion.
    propellant : tuple of (str, float)
        Liquefied gases in an aerosol can and their mass fractions of the whole content.
    method : str
        "gun", "aerosol", "brush" or "pad".
    set_volume_fraction : float
        The film is set, and keeps what water it holds, once the solids fill this part of it.

    Raises
    ------
    ValueError
        If a name is unknown, a figure out of range, or the fractions do not add up to 1 within
        0.002; the message names the field.
    """

    solvents: tuple[tuple[str, float], ...]
    solids_pct: float
    polymer_density_kg_m3: float = 1200.0
    polymer_chi: float | None = 0.4
    water_chi: float = 2.5
    propellant: tuple[tuple[str, float], ...] = ()
    method: str = "gun"
    set_volume_fraction: float = 0.5

    def __post_init__(self) -> None:
        for field, parts in (("solvents", self.solvents), ("propellant", self.propellant)):
            for name, fraction in parts:
                get(name)
                _within(f"{field}: {name}", fraction, 0.0, 1.0)
        names = [name for name, _ in self.solvents + self.propellant]
        if len(set(names)) != len(names):
            msg = "solvents and propellant must name each species once"
            raise ValueError(msg)
        _within("solids_pct", self.solids_pct, 0.0, 100.0)
        _within("polymer_density_kg_m3", self.polymer_density_kg_m3, 500.0, 5000.0)
        if self.polymer_chi is not None:
            _within("polymer_chi", self.polymer_chi, -1.0, 3.0)
        _within("water_chi", self.water_chi, -1.0, 6.0)
        _within("set_volume_fraction", self.set_volume_fraction, 0.05, 0.95)
        if self.method not in METHODS:
            msg = f"method must be one of {', '.join(METHODS)}, got {self.method!r}"
            raise ValueError(msg)
        total = math.fsum(f for _, f in self.solvents + self.propellant) + self.solids_pct / 100.0
        if abs(total - 1.0) > 0.002:
            msg = f"solvents, propellant and solids_pct must add up to 1, got {total:.4f}"
            raise ValueError(msg)


def _within(name: str, value: float, low: float, high: float) -> None:
    if not low <= value <= high:
        msg = f"{name} must be between {low:g} and {high:g}, got {value!r}"
        raise ValueError(msg)
