"""Write service/science/solvents.json from the open property library chemicals/thermo.

Run: ``python deploy/make_solvents.py`` (needs the development dependencies), then commit the
result. Each figure carries the name of the correlation or collection that it came from. Where the
library has no figure, or only an estimate that misses the usual data sheets, the figure is given
here and marked ``from memory``.
"""

from __future__ import annotations

import json
import warnings
from pathlib import Path
from typing import Any

import numpy as np
import thermo.unifac as unifac
from chemicals import LFL, MW, UFL, Pc, Tb, Tc, omega, search_chemical, similarity_variable
from chemicals.elements import simple_formula_parser
from scipy.optimize import least_squares
from thermo import (
    EnthalpyVaporization,
    HeatCapacityGas,
    HeatCapacityLiquid,
    VaporPressure,
    VolumeLiquid,
)

TARGET = Path(__file__).resolve().parents[1] / "service" / "science" / "solvents.json"

MEMORY = "from memory: usual data sheets"
GUIDES = "from memory: solvent guides on the ASTM D3539 scale (n-butyl acetate = 1)"

# name: CAS, vapour-pressure method, heat-of-vaporisation method, relative evaporation rate
CHOSEN: dict[str, tuple[str, str, str, float | None]] = {
    "acetone": ("67-64-1", "COOLPROP", "CRC_HVAP_298", 5.6),
    "methyl ethyl ketone": ("78-93-3", "DIPPR_PERRY_8E", "CRC_HVAP_298", 3.8),
    "methyl isobutyl ketone": ("108-10-1", "DIPPR_PERRY_8E", "CRC_HVAP_298", 1.6),
    "ethyl acetate": ("141-78-6", "WAGNER_MCGARRY", "CRC_HVAP_298", 4.1),
    "n-butyl acetate": ("123-86-4", "DIPPR_PERRY_8E", "CRC_HVAP_298", 1.0),
    "isobutyl acetate": ("110-19-0", "ANTOINE_WEBBOOK", "CRC_HVAP_TB", 1.45),
    "methanol": ("67-56-1", "COOLPROP", "CRC_HVAP_298", 3.5),
    "ethanol": ("64-17-5", "COOLPROP", "CRC_HVAP_298", 1.7),
    "isopropanol": ("67-63-0", "DIPPR_PERRY_8E", "CRC_HVAP_298", 1.7),
    "n-butanol": ("71-36-3", "DIPPR_PERRY_8E", "CRC_HVAP_298", 0.4),
    "toluene": ("108-88-3", "COOLPROP", "CRC_HVAP_298", 2.0),
    "o-xylene": ("95-47-6", "COOLPROP", "CRC_HVAP_298", 0.6),
    "m-xylene": ("108-38-3", "COOLPROP", "CRC_HVAP_298", 0.7),
    "p-xylene": ("106-42-3", "COOLPROP", "CRC_HVAP_298", 0.7),
    "2-butoxyethanol": ("111-76-2", "LANDOLT", "CRC_HVAP_298", 0.07),
    "1-methoxy-2-propanol": ("107-98-2", "LANDOLT", "GHARAGHEIZI_HVAP_298", 0.7),
    "1-methoxy-2-propyl acetate": ("108-65-6", "AMBROSE_WALTON", "VETERE", 0.34),
    "diacetone alcohol": ("123-42-2", "LANDOLT", "VETERE", 0.12),
    "2-(2-butoxyethoxy)ethanol": ("112-34-5", "AMBROSE_WALTON", "VETERE", 0.003),
    "ethyl 3-ethoxypropionate": ("763-69-9", "LANDOLT", "VETERE", 0.12),
    "n-heptane": ("142-82-5", "COOLPROP", "CRC_HVAP_298", 3.6),
    "n-octane": ("111-65-9", "COOLPROP", "CRC_HVAP_298", 1.2),
    "methylcyclohexane": ("108-87-2", "DIPPR_PERRY_8E", "CRC_HVAP_298", 3.2),
    "water": ("7732-18-5", "COOLPROP", "CRC_HVAP_298", 0.3),
    "dimethyl ether": ("115-10-6", "COOLPROP", "CRC_HVAP_298", None),
    "propane": ("74-98-6", "COOLPROP", "CRC_HVAP_298", None),
    "n-butane": ("106-97-8", "COOLPROP", "CRC_HVAP_298", None),
    "isobutane": ("75-28-5", "COOLPROP", "CRC_HVAP_298", None),
}
PROPELLANTS = {"dimethyl ether", "propane", "n-butane", "isobutane"}

# The library's estimate (Yamada and Gunn) misses these by 3 to 35 %.
DENSITY_KG_M3 = {
    "isobutyl acetate": 871.0,
    "2-butoxyethanol": 901.0,
    "1-methoxy-2-propanol": 921.0,
    "1-methoxy-2-propyl acetate": 967.0,
    "diacetone alcohol": 938.0,
    "2-(2-butoxyethoxy)ethanol": 954.0,
    "ethyl 3-ethoxypropionate": 949.0,
}
# Percent by volume in air, where the library has none.
FLAMMABLE_PCT = {
    "1-methoxy-2-propanol": (1.6, 13.8),
    "1-methoxy-2-propyl acetate": (1.5, 7.0),
    "ethyl 3-ethoxypropionate": (1.05, 9.8),
}
# Fuller, Schettler and Giddings 1966: diffusion volumes of atoms and of a ring; water as a whole.
ATOM_VOLUME = {"C": 16.5, "H": 1.98, "O": 5.48}
RING_VOLUME = -20.2
WATER_VOLUME = 12.7
RINGS = {"toluene", "o-xylene", "m-xylene", "p-xylene", "methylcyclohexane"}

DROPLET_TEMPERATURES = (-20.0, 60.0)
FLASH_TEMPERATURES = (-50.0, 50.0)
NAMED = {
    "COOLPROP": "CoolProp equation of state",
    "DIPPR_PERRY_8E": "DIPPR equation, Perry's Handbook 8th ed.",
    "WAGNER_MCGARRY": "Wagner equation, McGarry 1983",
    "ANTOINE_WEBBOOK": "Antoine equation, NIST WebBook",
    "LANDOLT": "Antoine equation, Landolt-Boernstein",
    "AMBROSE_WALTON": "estimate of Ambrose and Walton 1989",
    "CRC_HVAP_298": "CRC Handbook, 25 degC",
    "CRC_HVAP_TB": "CRC Handbook, boiling point, brought to 25 degC by Watson",
    "GHARAGHEIZI_HVAP_298": "estimate of Gharagheizi 2013, 25 degC",
    "VETERE": "estimate of Vetere 1995, 25 degC",
}
ROOM_K = 298.15


def antoine(cas: str, method: str, span_c: tuple[float, float]) -> tuple[tuple[float, ...], float]:
    """Fit ln(p/Pa) = A - B/(T/K + C) over a span; return the constants and the worst misfit."""
    source = VaporPressure(CASRN=cas, Tb=Tb(cas), Tc=Tc(cas), Pc=Pc(cas), omega=omega(cas))
    kelvin = np.linspace(span_c[0] + 273.15, span_c[1] + 273.15, 41)
    log_p = np.log([source.calculate(t, method) for t in kelvin])
    fit = least_squares(
        lambda q: q[0] - q[1] / (kelvin + q[2]) - log_p,
        (21.0, 3000.0, -50.0),
        x_scale=(1.0, 1e3, 10.0),
        xtol=1e-14,
        ftol=1e-14,
    )
    return tuple(round(float(v), n) for v, n in zip(fit.x, (6, 4, 4), strict=True)), float(
        np.abs(fit.fun).max()
    )


def heat_of_vaporisation(cas: str, method: str) -> float:
    """Return J/mol at 25 °C."""
    source = EnthalpyVaporization(CASRN=cas, Tb=Tb(cas), Tc=Tc(cas), Pc=Pc(cas), omega=omega(cas))
    if method == "CRC_HVAP_TB":
        at_boiling = source.calculate(Tb(cas), method)
        return float(at_boiling * ((Tc(cas) - ROOM_K) / (Tc(cas) - Tb(cas))) ** 0.38)
    return float(source.calculate(ROOM_K, method))


def liquid_heat_capacity(cas: str) -> tuple[float, str]:
    """Return J/(kg K) at 25 °C and its source."""
    formula = simple_formula_parser(search_chemical(cas).formula)
    source = HeatCapacityLiquid(
        CASRN=cas,
        MW=MW(cas),
        Tc=Tc(cas),
        omega=omega(cas),
        similarity_variable=similarity_variable(formula),
    )
    order = ("HEOS_FIT", "ZABRANSKY_SPLINE_C", "ZABRANSKY_QUASIPOLYNOMIAL", "CRCSTD")
    method = next((m for m in order if m in source.all_methods), "DADGOSTAR_SHAW")
    return float(source.calculate(ROOM_K, method) / MW(cas) * 1e3), method


def vapour_heat_capacity(cas: str) -> float:
    """Return J/(mol K) at 25 °C."""
    formula = simple_formula_parser(search_chemical(cas).formula)
    source = HeatCapacityGas(
        CASRN=cas, MW=MW(cas), similarity_variable=similarity_variable(formula)
    )
    return float(source.T_dependent_property(ROOM_K))


def density(name: str, cas: str) -> tuple[float, str]:
    """Return kg/m³ at 20 °C and its source."""
    if name in DENSITY_KG_M3:
        return DENSITY_KG_M3[name], MEMORY
    source = VolumeLiquid(
        CASRN=cas, MW=MW(cas), Tb=Tb(cas), Tc=Tc(cas), Pc=Pc(cas), omega=omega(cas)
    )
    volume = source.T_dependent_property(293.15)
    return float(MW(cas) / 1e3 / volume), f"thermo, {source.method}"


def diffusion_volume(name: str, cas: str) -> float:
    """Sum of the atomic diffusion volumes."""
    if name == "water":
        return WATER_VOLUME
    atoms = simple_formula_parser(search_chemical(cas).formula)
    total = sum(ATOM_VOLUME[atom] * count for atom, count in atoms.items())
    return round(total + (RING_VOLUME if name in RINGS else 0.0), 3)


def flammable(name: str, cas: str) -> tuple[float | None, float | None, str]:
    """Lower and upper flammable limit, percent by volume in air, and their source."""
    if name == "water":
        return None, None, "does not burn"
    if name in FLAMMABLE_PCT:
        return (*FLAMMABLE_PCT[name], MEMORY)
    return (
        round(LFL(CASRN=cas) * 100, 3),
        round(UFL(CASRN=cas) * 100, 3),
        "chemicals: IEC 60079-20-1 or NFPA 497",
    )


def row(name: str) -> dict[str, Any]:
    """One solvent with its sources."""
    cas, pressure_method, heat_method, rate = CHOSEN[name]
    span = FLASH_TEMPERATURES if name in PROPELLANTS else DROPLET_TEMPERATURES
    constants, misfit = antoine(cas, pressure_method, span)
    cp, cp_method = liquid_heat_capacity(cas)
    rho, rho_source = density(name, cas)
    lower, upper, flame_source = flammable(name, cas)
    groups = unifac.UNIFAC_group_assignment_DDBST(cas, "UNIFAC")
    return {
        "name": name,
        "cas": cas,
        "molar_mass_kg_mol": round(MW(cas) / 1e3, 8),
        "antoine": constants,
        "heat_of_vaporisation_j_mol": round(heat_of_vaporisation(cas, heat_method), 1),
        "critical_k": round(float(Tc(cas)), 2),
        "diffusion_volume": diffusion_volume(name, cas),
        "density_kg_m3": round(rho, 1),
        "heat_capacity_j_kgk": round(cp, 1),
        "vapour_heat_capacity_j_molk": round(vapour_heat_capacity(cas), 2),
        "lfl_pct": lower,
        "ufl_pct": upper,
        "evaporation_rate": rate,
        "groups": {str(k): int(v) for k, v in sorted(groups.items())},
        "sources": {
            "molar_mass_kg_mol": "chemicals, from the formula",
            "antoine": (
                f"{NAMED[pressure_method]}, as in thermo ({pressure_method}); refitted over "
                f"{span[0]:g} to {span[1]:g} degC, worst misfit {misfit:.2%}"
            ),
            "heat_of_vaporisation_j_mol": f"{NAMED[heat_method]}, as in thermo ({heat_method})",
            "critical_k": "chemicals",
            "diffusion_volume": "Fuller, Schettler and Giddings 1966, summed over the formula",
            "density_kg_m3": rho_source,
            "heat_capacity_j_kgk": f"thermo, {cp_method}",
            "vapour_heat_capacity_j_molk": "thermo, heat capacity of the ideal gas",
            "lfl_pct": flame_source,
            "evaporation_rate": GUIDES if rate is not None else "not a liquid at room pressure",
            "groups": "group assignment of the Dortmund Data Bank, as in thermo",
        },
    }


def text() -> str:
    """Return the whole data file."""
    unifac.load_group_assignments_DDBST()
    unifac.load_unifac_ip()
    rows = [row(name) for name in CHOSEN]
    used = sorted({int(group) for r in rows for group in r["groups"]})
    subgroups = [unifac.UFSG[g] for g in used]
    main_groups = sorted({s.main_group_id for s in subgroups})
    table = {
        "solvents": rows,
        "unifac": {
            "source": "original UNIFAC for vapour-liquid equilibrium: Hansen, Rasmussen, "
            "Fredenslund, Schiller and Gmehling, Ind. Eng. Chem. Res. 30 (1991) 2352, and its "
            "published supplements, as in thermo; pairs of groups that were never fitted are "
            "absent and read as zero",
            "subgroups": [
                {"id": g, "name": s.group, "main": s.main_group_id, "r": s.R, "q": s.Q}
                for g, s in zip(used, subgroups, strict=True)
            ],
            "interactions_k": [
                [a, b, unifac.UFIP[a][b]]
                for a in main_groups
                for b in main_groups
                if a != b and b in unifac.UFIP[a]
            ],
        },
    }
    return json.dumps(table, indent=1) + "\n"


def main() -> None:
    """Write the table."""
    warnings.simplefilter("ignore")
    TARGET.write_text(text(), encoding="utf-8")
    print(f"wrote {TARGET.name}: {len(CHOSEN)} solvents")


if __name__ == "__main__":
    main()
