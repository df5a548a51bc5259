"""Print how rules of thumb compare with the film model over a year of weather, as a table.

Run: ``python deploy/blush_rules.py`` (needs the development dependencies); ``--spread`` prints
instead how far the film floor moves with what a shop does not know of its own spraying.

The air is that of a workshop without air conditioning: the outdoor air's water, warmed to at least
20 °C, at ten and four of each working day. The weather is a typical year of Greensboro, North
Carolina, which the package pvlib carries (TMY3, U.S. National Renewable Energy Laboratory, public).
The model is only called as a witness where it is sure: probability of blush below 10 % or above
90 %, with its own spread and a sensor of 0.3 K and 2 % RH. The hours between are counted apart.
"""

from __future__ import annotations

import argparse
import dataclasses
import warnings
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from service.science import air, blend, film
from service.shop.materials import Material
from service.store.catalogue import load_catalogue

Floats = NDArray[np.float64]

HOURS = (10, 16)
WARMED_C = 20.0
DRAUGHT_W_M2K, PLATE_MM = 10.0, 3.0
SENSOR = {"air_sd_k": 0.3, "rh_sd_pct": 2.0}
SURE = 0.9

RULES: dict[str, Callable[[Floats, Floats], NDArray[np.bool_]]] = {
    "3 K over dew point": lambda t, rh: t - air.dew_point(t, rh) >= 3.0,
    "11 K over dew point": lambda t, rh: t - air.dew_point(t, rh) >= 11.0,
    "RH to 65 %": lambda _, rh: rh <= 65.0,
    "RH to 85 %": lambda _, rh: rh <= 85.0,
}


@dataclass(frozen=True)
class Verdict:
    """Shares of all hours, %."""

    sprays_into_blush: float
    waits_for_nothing: float


def shop_air() -> tuple[Floats, Floats]:
    """Temperature and humidity of the shop through the year, within the range of the model."""
    import pvlib

    path = Path(pvlib.__file__).parent / "data" / "723170TYA.CSV"
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")  # the library's own
        weather, _ = pvlib.iotools.read_tmy3(path, map_variables=True)
    working = weather[np.isin(weather.index.hour, HOURS) & (weather.index.day_of_week < 6)]
    outdoor_c = working["temp_air"].to_numpy(dtype=np.float64)
    outdoor_rh = working["relative_humidity"].to_numpy(dtype=np.float64)
    pressure = 100.0 * working["pressure"].to_numpy(dtype=np.float64)
    water = air.humidity_ratio(outdoor_c, outdoor_rh, pressure)
    indoor_c = np.maximum(outdoor_c, WARMED_C)
    indoor_rh = np.minimum(air.relative_humidity(indoor_c, water, pressure), 100.0)
    return indoor_c, indoor_rh


def probabilities(material: Material, air_c: Floats, rh_pct: Floats) -> Floats:
    """Probability of blush for each hour."""
    risk = film.blush_risk(
        material.blend,
        air_c,
        rh_pct,
        wet_um=material.usual_wet_um,
        h_w_m2k=DRAUGHT_W_M2K,
        plate_mm=PLATE_MM,
        **SENSOR,
    )
    return np.asarray(risk.probability)


def verdicts(probability: Floats, air_c: Floats, rh_pct: Floats) -> dict[str, Verdict]:
    """How each rule fares where the model is sure."""
    blush, clear = probability > SURE, probability < 1.0 - SURE
    found = {}
    for name, rule in RULES.items():
        sprays = rule(air_c, rh_pct)
        found[name] = Verdict(
            100.0 * float((sprays & blush).mean()), 100.0 * float((~sprays & clear).mean())
        )
    return found


def table() -> str:
    """Return the comparison in Markdown, in percent of the hours.

    Under each rule: says spray where the model is sure of blush / says wait where it is sure of
    none.
    """
    air_c, rh_pct = shop_air()
    lines = [
        "| material | model: blush, clear, not sure | " + " | ".join(RULES) + " |",
        "|---|---|" + "---:|" * len(RULES),
    ]
    for material in load_catalogue().materials.values():
        if material.blend is None or material.limits.blush_margin_k is None:
            continue
        probability = probabilities(material, air_c, rh_pct)
        blush, clear = (probability > SURE).mean(), (probability < 1.0 - SURE).mean()
        cells = [
            f"{v.sprays_into_blush:.1f} / {v.waits_for_nothing:.1f}"
            for v in verdicts(probability, air_c, rh_pct).values()
        ]
        model = f"{100 * blush:.0f}, {100 * clear:.0f}, {100 * (1 - blush - clear):.0f}"
        lines.append(f"| {material.name} | {model} | {' | '.join(cells)} |")
    return "\n".join(lines)


@contextmanager
def other_method(name: str, **factors: float) -> Iterator[None]:
    """Let a method spray a little differently for a while."""
    usual = blend.METHODS[name]
    changed = {key: getattr(usual, key) * factor for key, factor in factors.items()}
    blend.METHODS[name] = dataclasses.replace(usual, **changed)
    try:
        yield
    finally:
        blend.METHODS[name] = usual


def spread(material: Material, draws: int = 200) -> float:
    """Standard deviation of the film floor over what a shop does not know, K, at 24 °C and 50 %.

    Each is drawn log-normal about its assumed value: draught 30 %, film 25 %, drop 25 %, flight,
    air and laydown 30 to 40 %, each solvent's share 15 %; the wood is any of four.
    """
    rng = np.random.default_rng(0)

    def factor(sd: float) -> float:
        return float(np.exp(sd * rng.normal()))

    floors = []
    for _ in range(draws):
        changes = {"drop_um": factor(0.25), "flight_s": factor(0.3)}
        changes |= {"air_kg_kg": factor(0.3), "laydown_s": factor(0.4)}
        shares = [(name, part * factor(0.15)) for name, part in material.blend.solvents]
        scale = sum(p for _, p in material.blend.solvents) / sum(p for _, p in shares)
        recipe = dataclasses.replace(
            material.blend, solvents=tuple((name, part * scale) for name, part in shares)
        )
        with other_method(material.blend.method, **changes):
            found = film.floor(
                recipe,
                24.0,
                50.0,
                wet_um=float(np.clip(material.usual_wet_um * factor(0.25), 30.0, 250.0)),
                h_w_m2k=float(np.clip(DRAUGHT_W_M2K * factor(0.3), 3.0, 30.0)),
                plate_mm=PLATE_MM,
                wood=str(rng.choice(["spruce", "maple", "mahogany", "walnut"])),
            )
        floors.append(found.film_floor_c)
    return float(np.std(floors))


def main() -> None:
    """Print the table, or the spread of each material."""
    parser = argparse.ArgumentParser(description="rules of thumb beside the film model")
    parser.add_argument("--spread", action="store_true", help="print the spread of the model")
    if parser.parse_args().spread:
        for material in load_catalogue().materials.values():
            if material.blend is not None:
                print(f"{material.name}: {spread(material):.2f} K")
    else:
        print(table())


if __name__ == "__main__":
    main()
