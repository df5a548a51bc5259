"""Recommended blends: what a finishing material of each kind usually holds.

All are `common practice` or `assumed` mid-values, by mass of the material as it is sprayed; the
maker's own safety data sheet is the better source.
"""

from __future__ import annotations

from service.science.film import Blend

NITROCELLULOSE_GUN = Blend(
    solvents=(
        ("acetone", 0.12),
        ("methyl ethyl ketone", 0.06),
        ("isopropanol", 0.10),
        ("toluene", 0.22),
        ("isobutyl acetate", 0.10),
        ("n-butyl acetate", 0.16),
        ("n-butanol", 0.04),
        ("2-butoxyethanol", 0.03),
    ),
    solids_pct=17.0,
    polymer_density_kg_m3=1250.0,
)
"""Instrument lacquer, reduced about 2:1 with a medium thinner."""

NITROCELLULOSE_AEROSOL = Blend(
    solvents=(
        ("acetone", 0.24),
        ("isopropanol", 0.05),
        ("toluene", 0.06),
        ("n-butyl acetate", 0.14),
        ("1-methoxy-2-propyl acetate", 0.05),
        ("2-butoxyethanol", 0.03),
    ),
    solids_pct=10.0,
    polymer_density_kg_m3=1250.0,
    propellant=(("dimethyl ether", 0.25), ("propane", 0.06), ("n-butane", 0.02)),
    method="aerosol",
)

TONER_AEROSOL = Blend(
    solvents=(
        ("acetone", 0.30),
        ("ethanol", 0.08),
        ("n-butyl acetate", 0.13),
        ("1-methoxy-2-propanol", 0.06),
        ("2-butoxyethanol", 0.02),
    ),
    solids_pct=6.0,
    polymer_density_kg_m3=1250.0,
    propellant=(("dimethyl ether", 0.35),),
    method="aerosol",
)

VINYL_SEALER_AEROSOL = Blend(
    solvents=(
        ("acetone", 0.22),
        ("methyl ethyl ketone", 0.08),
        ("toluene", 0.10),
        ("isobutyl acetate", 0.08),
        ("n-butyl acetate", 0.08),
        ("1-methoxy-2-propyl acetate", 0.04),
    ),
    solids_pct=8.0,
    polymer_density_kg_m3=1300.0,
    propellant=(("propane", 0.16), ("n-butane", 0.16)),
    method="aerosol",
)

SHELLAC_GUN = Blend(
    solvents=(("ethanol", 0.78), ("isopropanol", 0.03), ("n-butanol", 0.02), ("water", 0.04)),
    solids_pct=13.0,
    polymer_density_kg_m3=1150.0,
    water_chi=2.0,
)
"""About a 1.25 lb cut in denatured spirits."""

WATERBORNE_ACRYLIC_GUN = Blend(
    solvents=(
        ("water", 0.60),
        ("2-butoxyethanol", 0.04),
        ("2-(2-butoxyethoxy)ethanol", 0.02),
        ("1-methoxy-2-propanol", 0.02),
    ),
    solids_pct=32.0,
    polymer_density_kg_m3=1100.0,
    polymer_chi=None,
    set_volume_fraction=0.6,
)

TWO_PART_GUN = Blend(
    solvents=(
        ("n-butyl acetate", 0.34),
        ("1-methoxy-2-propyl acetate", 0.12),
        ("m-xylene", 0.09),
        ("methyl ethyl ketone", 0.05),
    ),
    solids_pct=40.0,
    polymer_density_kg_m3=1150.0,
)
"""Clear two-part polyurethane, mixed and reduced."""

BLENDS: dict[str, Blend] = {
    "nitrocellulose, gun": NITROCELLULOSE_GUN,
    "nitrocellulose, aerosol": NITROCELLULOSE_AEROSOL,
    "toner, aerosol": TONER_AEROSOL,
    "vinyl sealer, aerosol": VINYL_SEALER_AEROSOL,
    "shellac, gun": SHELLAC_GUN,
    "water-borne acrylic, gun": WATERBORNE_ACRYLIC_GUN,
    "two-part polyurethane, gun": TWO_PART_GUN,
}
