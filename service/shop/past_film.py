"""What air that was would have done to a wet film: its floor, and whether the check would spray."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
from numpy.typing import NDArray

from service.shop.air import Air
from service.shop.film_table import FilmTable
from service.shop.materials import Coating, Material
from service.shop.outlook import Paths
from service.shop.spray_windows import allowed

__all__ = ["past_film"]

Floats = NDArray[np.float64]


def past_film(
    air: Air,
    material: Material,
    coating: Coating,
    table: FilmTable | None,
    course: tuple[Floats, Floats, Floats],
) -> tuple[Floats, NDArray[np.bool_]]:
    """Put a course that was to the limits of the check, as for work as warm as the air.

    Parameters
    ----------
    air : Air
        Of the place now: what its sensors are worth.
    table : FilmTable, optional
        Of this material and coat; unset where the material does not blush.
    course : arrays (n,)
        Instants (s since 1970), air and dew point (°C), oldest first.

    Returns
    -------
    tuple
        Film floor (°C; NaN where it is not reckoned) and whether every limit held, with the
        stricter ones after a *wait*; both (n,).
    """
    time_s, air_c, dew_c = course
    level = replace(air, surface_c=air.air_c)
    paths = Paths(
        float(time_s[0]), (time_s - time_s[0]) / 3600.0, air_c[np.newaxis], dew_c[np.newaxis]
    )
    may = allowed(paths, level, material, coating, table, spraying=True)[0]
    floor = np.full_like(air_c, np.nan)
    if table is not None:
        floor, _ = table.film(air_c, air_c - dew_c, np.zeros_like(air_c))
    return floor, may
