"""Figures of the usual instrument woods and of finishes: how far, and how fast.

Coefficients of dimensional change, per % moisture between 6 and 14 %: Wood Handbook (FPL-GTR-190,
2010) Table 13-5 where it lists the wood; else from the shrinkages of its Tables 4-3 (domestic) and
4-4 (imported) by eq. (13-2). `source` of each says which, and whether it is from memory. Boards
differ by ±20 %.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from types import MappingProxyType

__all__ = ["FINISHES", "WOODS", "Finish", "Wood"]

_TABLE = "Wood Handbook Table 13-5"
_TABLE_MEMORY = "Wood Handbook Table 13-5, from memory"
_DOMESTIC = "from shrinkage, Wood Handbook Table 4-3"
_IMPORTED = "from shrinkage, Wood Handbook Table 4-4, from memory"


@dataclass(frozen=True)
class Wood:
    """Movement across the grain: the radial way (a quarter-sawn board's width) and the tangential.

    Attributes
    ----------
    radial, tangential
        Change of dimension per % of moisture content.
    source
        Where the two figures are from.
    """

    radial: float
    tangential: float
    source: str


WOODS: Mapping[str, Wood] = MappingProxyType(
    {
        "Sitka spruce": Wood(0.00148, 0.00263, _TABLE_MEMORY),
        "Engelmann spruce": Wood(0.00130, 0.00248, _TABLE_MEMORY),
        "red spruce": Wood(0.00130, 0.00267, _TABLE_MEMORY),
        "European spruce": Wood(0.00133, 0.00278, "from shrinkage 3.9 and 8.0 %, from memory"),
        "western redcedar": Wood(0.00081, 0.00172, _DOMESTIC),
        "sugar maple": Wood(0.00165, 0.00353, _TABLE),
        "bigleaf maple": Wood(0.00126, 0.00248, _TABLE),
        "red maple": Wood(0.00137, 0.00289, _TABLE),
        "black walnut": Wood(0.00190, 0.00274, _TABLE),
        "black cherry": Wood(0.00126, 0.00248, _TABLE),
        "yellow birch": Wood(0.00256, 0.00338, _TABLE),
        "American basswood": Wood(0.00230, 0.00330, _TABLE),
        "yellow-poplar": Wood(0.00158, 0.00289, _DOMESTIC),
        "mahogany": Wood(0.00172, 0.00238, _TABLE_MEMORY),
        "Spanish-cedar": Wood(0.00143, 0.00219, _IMPORTED),
        "Brazilian rosewood": Wood(0.00099, 0.00158, _IMPORTED),
        "Indian rosewood": Wood(0.00092, 0.00201, _IMPORTED),
        "ebony": Wood(0.00187, 0.00312, _IMPORTED),
    }
)
"""By trade name. Mahogany's Table 13-5 figures exceed those from its shrinkage in Table 4-4
(0.00102 and 0.00141): the larger are kept, so that a movement is not understated."""


@dataclass(frozen=True)
class Finish:
    """What covers a face of a plate, as a resistance to moisture.

    Attributes
    ----------
    exchange_m_s
        Moisture passing a face, per difference of moisture content between wood and air, m/s.
    source
        What the figure rests on.
    """

    exchange_m_s: float
    source: str


def _by_exclusion(gain_constant_days: float) -> float:
    return 0.008 / (gain_constant_days * 86400.0)


_FPL = (
    "assumed: time constant that the moisture-excluding effectiveness of two coats after 7 days "
    "implies (FPL-462, 1985), half thickness of the specimens taken as 8 mm"
)

FINISHES: Mapping[str, Finish] = MappingProxyType(
    {
        "bare": Finish(1.5e-7, "assumed: surface emission of still indoor air"),
        "oil": Finish(_by_exclusion(1.8), f"{_FPL}: tung oil, 2 %"),
        "lacquer": Finish(_by_exclusion(4.6), f"{_FPL}: nitrocellulose lacquer, 22 %"),
        "varnish": Finish(_by_exclusion(6.9), f"{_FPL}: spar varnish, 36 %"),
        "shellac": Finish(_by_exclusion(8.3), f"{_FPL}: 43 %"),
        "polyurethane": Finish(_by_exclusion(16.8), f"{_FPL}: 66 %"),
        "epoxy": Finish(_by_exclusion(96.0), f"{_FPL}: 93 %"),
    }
)
"""An instrument finished outside and bare inside exchanges mostly by its inside."""
