"""The limits of a spray check, measured for the air as it is and for changed air at once.

The film model takes arrays, so the air now (case 0) and every "what if it were warmer, drier, a
thinner coat" go through the same limits in one pass, and the ways out can never contradict the
check.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from service.science import air as moist
from service.science import film, uncertainty
from service.shop.air import SURFACE_ASSUMED_SD_K, Air
from service.shop.haze import clouds_from
from service.shop.materials import Coating, Figure, Material
from service.shop.said import say
from service.shop.wet import film_floor, in_model

__all__ = ["CAUTIOUS_Z", "Cases", "Gauge", "gauges_of"]

CAUTIOUS_Z = 1.2816
"""Standard deviations to the cautious end: nine in ten outcomes are better (normal quantile)."""

DEADBAND = {"K": 0.3, "% RH": 1.0, "°C": 0.3}
"""By how much a limit must be cleared to turn *wait* back to *spray* (assumed)."""

Floats = NDArray[np.float64]


@dataclass(frozen=True)
class Cases:
    """Air, work and coat of each case, with the film reckoned for all of them."""

    air: Air
    material: Material
    coating: Coating
    air_c: Floats
    rh_pct: Floats
    surface_c: Floats
    wet_um: Floats
    retarder_pct: Floats
    dew_point_c: Floats
    floor_c: Floats
    haze_dew_c: Floats
    """Dew point from which on the coat would cloud, °C."""
    blush_sd_k: Floats
    blush_probability: float
    condensed_at_set_g_m2: float
    flash_off_s: float

    @classmethod
    def of(cls, air: Air, material: Material, coating: Coating) -> Cases:
        """Reckon the one case of the air as it is."""
        one = np.ones(1)
        coating = in_model(coating)
        risk = film.blush_risk(
            material.sprayed,
            air.air_c,
            air.rh_pct,
            air_sd_k=air.air_sd_k,
            rh_sd_pct=air.rh_sd_pct,
            wet_um=coating.wet_um,
            h_w_m2k=coating.h_w_m2k,
            plate_mm=coating.plate_mm,
            retarder_pct=coating.retarder_pct,
            retarder=material.retarder or film.DEFAULT_RETARDER,
            pressure_pa=air.pressure_pa,
            # Where no probe is, the surface errs with the air, and a little on its own.
            surface_c=air.surface_c if air.surface_measured else None,
        )
        # Its first film is that of the air as it is, unless the work was told and not measured.
        same = air.surface_measured or air.surface_c == air.air_c
        shaped = _filmed(
            air,
            material,
            coating,
            air.air_c * one,
            air.rh_pct * one,
            air.surface_c * one,
            coating.wet_um * one,
            coating.retarder_pct * one,
            risk.film if same else None,
        )
        unmeasured = 0.0 if air.surface_measured else SURFACE_ASSUMED_SD_K
        return replace(
            shaped,
            blush_sd_k=np.hypot(float(risk.blush_margin_sd_k) * one, unmeasured),
            blush_probability=float(risk.probability),
        )

    def changed(
        self,
        *,
        air_c: Floats | None = None,
        rh_pct: Floats | None = None,
        surface_c: Floats | None = None,
        wet_um: Floats | None = None,
        retarder_pct: Floats | None = None,
    ) -> Cases:
        """Reckon other cases that differ from the first in what is given."""
        given = [a for a in (air_c, rh_pct, surface_c, wet_um, retarder_pct) if a is not None]
        size = given[0].shape[0]

        def column(new: Floats | None, old: Floats) -> Floats:
            return np.full(size, float(old[0])) if new is None else new

        shaped = _filmed(
            self.air,
            self.material,
            self.coating,
            column(air_c, self.air_c),
            column(rh_pct, self.rh_pct),
            column(surface_c, self.surface_c),
            column(wet_um, self.wet_um),
            column(retarder_pct, self.retarder_pct),
        )
        return replace(
            shaped,
            blush_sd_k=self._blush_sd(shaped.dew_point_sd_k),
            blush_probability=self.blush_probability,
        )

    def _blush_sd(self, dew_point_sd_k: Floats) -> Floats:
        """Let the sensor's part of the doubt grow as the dew point's does; the model's stays."""
        model = min(film.MODEL_SD_K, float(self.blush_sd_k[0]))
        sensor = math.sqrt(float(self.blush_sd_k[0]) ** 2 - model**2)
        return np.hypot(model, sensor * dew_point_sd_k / self.air.dew_point_sd_k)

    @property
    def dew_point_sd_k(self) -> Floats:
        """Doubt that the sensor leaves in each case's dew point."""
        spread = uncertainty.dew_point_sd(
            self.air_c, self.rh_pct, self.air.air_sd_k, self.air.rh_sd_pct
        )
        return np.asarray(spread)

    @property
    def haze_margin_k(self) -> float | None:
        """How far the dew point of the first case may rise before its coat clouds."""
        margin = float(self.haze_dew_c[0] - self.dew_point_c[0])
        return margin if math.isfinite(margin) else None

    @property
    def film_floor_c(self) -> float:
        """Film floor of the first case."""
        return float(self.floor_c[0])

    @property
    def blush_margin_k(self) -> float | None:
        """Film floor over dew point of the first case; None in bone-dry air."""
        margin = float(self.floor_c[0] - self.dew_point_c[0])
        return margin if math.isfinite(margin) else None


@dataclass(frozen=True)
class Gauge:
    """One quantity against its limit, for every case."""

    what: str
    name: str
    value: Floats
    limit: Floats
    at_least: bool
    unit: str
    source: str
    because: str = ""

    def value_at(self, case: int) -> float | None:
        """Measured value of a case; None where it is beyond all bounds (bone-dry air)."""
        value = float(self.value[case])
        return value if math.isfinite(value) else None

    def limit_at(self, case: int) -> float:
        """Limit of a case."""
        return float(self.limit[case])

    def all_hold(self) -> NDArray[np.bool_]:
        """Whether each case keeps to the limit; NaN never does."""
        result: NDArray[np.bool_] = (
            self.value >= self.limit if self.at_least else self.value <= self.limit
        )
        return result

    def holds(self, case: int) -> bool:
        """Whether one case keeps to the limit."""
        return bool(self.all_hold()[case])

    def slack(self, case: int) -> float:
        """Distance to the limit in units of that quantity's usual spread; negative: beyond."""
        room = float(self.value[case]) - self.limit_at(case)
        return (room if self.at_least else -room) / {"% RH": 5.0}.get(self.unit, 1.0)

    def text(self, case: int) -> str:
        """One plain sentence: quantity, value, limit."""
        sense = say("at least") if self.at_least else say("at most")
        value = self.value_at(case)
        if value is None:
            told = say(
                "{name} far above; asks {sense} {limit:.1f} {unit}",
                name=self.name,
                sense=sense,
                limit=self.limit_at(case),
                unit=self.unit,
            )
        else:
            told = say(
                "{name} {value:.1f} {unit}; asks {sense} {limit:.1f} {unit}",
                name=self.name,
                value=value,
                sense=sense,
                limit=self.limit_at(case),
                unit=self.unit,
            )
        return say("{told} ({because})", told=told, because=self.because) if self.because else told


def gauges_of(cases: Cases, *, after_wait: bool) -> tuple[Gauge, ...]:
    """Measure every limit of the material for each case."""
    limits = cases.material.limits

    def gauge(
        what: str, name: str, value: Floats, figure: Figure, unit: str, *, at_least: bool,
        because: str = "", widen: Floats | float = 0.0,
    ) -> Gauge:  # fmt: skip
        stricter = DEADBAND[unit] if after_wait else 0.0
        least = figure.value + widen + (stricter if at_least else -stricter)
        limit = np.broadcast_to(np.asarray(least, dtype=np.float64), value.shape)
        return Gauge(what, name, value, limit, at_least, unit, figure.basis, because)

    measured = [
        gauge(
            "dew_point_margin",
            say("surface over dew point"),
            cases.surface_c - cases.dew_point_c,
            limits.dew_point_margin_k,
            "K",
            at_least=True,
        ),
        gauge(
            "humidity",
            say("relative humidity"),
            cases.rh_pct,
            limits.rh_max_pct,
            "% RH",
            at_least=False,
        ),
        gauge("air_low", "air", cases.air_c, limits.air_min_c, "°C", at_least=True),
        gauge("air_high", "air", cases.air_c, limits.air_max_c, "°C", at_least=False),
    ]
    if limits.blush_margin_k is not None:
        doubt = CAUTIOUS_Z * cases.blush_sd_k
        measured.insert(
            0,
            gauge(
                "blush_margin",
                say("wet film over dew point"),
                cases.floor_c - cases.dew_point_c,
                limits.blush_margin_k,
                "K",
                at_least=True,
                widen=doubt,
                because=say("{doubt:.1f} K of it for sensor and model doubt", doubt=doubt[0]),
            ),
        )
        unsure = CAUTIOUS_Z * cases.dew_point_sd_k
        measured.insert(
            1,
            gauge(
                "haze_margin",
                say("dew point below the one that clouds the coat"),
                cases.haze_dew_c - cases.dew_point_c,
                limits.blush_margin_k,
                "K",
                at_least=True,
                widen=unsure,
                because=say("{doubt:.1f} K of it for sensor doubt", doubt=unsure[0]),
            ),
        )
    return tuple(measured)


def _filmed(
    air: Air,
    material: Material,
    coating: Coating,
    air_c: Floats,
    rh_pct: Floats,
    surface_c: Floats,
    wet_um: Floats,
    retarder_pct: Floats,
    reckoned: film.FilmFloor[float] | None = None,
) -> Cases:
    floor: film.FilmFloor[Floats] | film.FilmFloor[float] = reckoned or film_floor(
        material,
        coating,
        air_c,
        rh_pct,
        surface_c=surface_c,
        pressure_pa=air.pressure_pa,
        wet_um=wet_um,
        retarder_pct=retarder_pct,
    )
    # Bone-dry air has no dew point: every margin over it is boundless.
    damp = rh_pct > 0.0
    dew_point = np.full_like(air_c, -np.inf)
    dew_point[damp] = moist.dew_point(air_c[damp], rh_pct[damp])
    return Cases(
        air=air,
        material=material,
        coating=coating,
        air_c=air_c,
        rh_pct=rh_pct,
        surface_c=surface_c,
        wet_um=wet_um,
        retarder_pct=retarder_pct,
        dew_point_c=dew_point,
        floor_c=np.atleast_1d(np.asarray(floor.film_floor_c, dtype=np.float64)),
        haze_dew_c=clouds_from(
            material,
            coating,
            air_c,
            surface_c,
            air.pressure_pa,
            wet_um=wet_um,
            retarder_pct=retarder_pct,
        ),
        blush_sd_k=np.zeros_like(air_c),
        blush_probability=0.0,
        condensed_at_set_g_m2=float(np.atleast_1d(floor.condensed_at_set_g_m2)[0]),
        flash_off_s=float(np.atleast_1d(floor.flash_off_s)[0]),
    )
