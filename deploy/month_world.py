"""What a simulated month is made of: open weather, rooms, and what is hidden from whoever works.

The air is that of the simulated rooms behind an open weather file. Films are the full film model,
with recipes, draughts and hands that are not those of the tool's data; drying goes by laws that are
not the tool's either. Whoever works sees only what a probe makes of the air.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, replace
from datetime import UTC, date, datetime, time, timedelta, timezone

import numpy as np

from sensors.booth import Air, Booth
from sensors.rooms import SALTMARSH
from sensors.weather import Outdoors, read_weather
from service.science import air as moist
from service.science import drying, film
from service.science.drying import DryingLaw
from service.shop.learning import Prior
from service.shop.materials import Material

__all__ = ["BLUSH_G_M2", "MONTHS", "PLACES", "STEP", "ZONE", "Hidden", "Laid", "Month", "World"]

WEATHER = "pvlib:723170TYA"
"""The open weather that the demo's spring is taken from."""

MONTHS = (date(2025, 4, 14), date(2025, 4, 28), date(2025, 5, 12))
"""Mondays, chosen by the weather alone before any result: in the first month the outdoor dew point
is seldom above 11.5 °C (65 % RH at 18.5 °C), in the last mostly."""

ZONE = timezone(timedelta(hours=-5))
"""Standard time of the weather's station."""

DAYS = 31
BEFORE = timedelta(days=7)

WARM_UP = timedelta(hours=12)
STEP = timedelta(minutes=5)
PLACES = ("booth", "rack")

BLUSH_G_M2 = 0.05
"""Water caught in a film above which it counts as blushed: a layer of 0.05 µm, about a hundredth
of what a coat leaves dry (assumed: less hardly scatters light)."""

EARLIER_DRY = 0.1
"""Dry thickness that a coat leaves under the next, of its wet (assumed)."""


@dataclass(frozen=True)
class Laid:
    """A coat as it really went on, and what became of it."""

    wet_um: float
    condensed_g_m2: float
    droplets_g_m2: float
    margin_k: float
    blushed: bool


@dataclass(frozen=True)
class Hidden:
    """What nobody in the shop knows.

    ``doubt`` 0 makes the tool's own figures and a perfect probe the truth. Of a coat that is the
    so-manieth of its piece, film, draught and time are the same whoever lays it. ``films`` draws
    all but the probes' errors; unset, ``seed`` does.
    """

    seed: int
    doubt: float = 1.0
    films: int | None = None

    def _draw(self, *key: int) -> np.random.Generator:
        return np.random.default_rng((self.seed if self.films is None else self.films, *key))

    def probe_error(self, place: int) -> tuple[float, float, float]:
        """Errors of a place's probe that stay: air and surface, K, and humidity, %."""
        drawn = self.doubt * np.random.default_rng((self.seed, 1, place)).uniform(-1.0, 1.0, 3)
        return 0.3 * float(drawn[0]), 0.3 * float(drawn[1]), 3.0 * float(drawn[2])

    def material(self, known: Material, number: int) -> Material:
        """Return a material as it really is: other solvents' shares, solids and drying law."""
        rng = self._draw(2, number)
        drawn = self.doubt * rng.standard_normal(3)
        law = known.drying
        real = DryingLaw(
            law.reference_c,
            law.reference_rh_pct,
            activation_kj_mol=float(np.clip(law.activation_kj_mol + 8.0 * drawn[0], 20.0, 90.0)),
            film_exponent=float(np.clip(law.film_exponent + 0.25 * drawn[1], 0.5, 2.5)),
            reference_film_um=law.reference_film_um,
            rh_per_pct=float(law.rh_per_pct * np.exp(0.4 * drawn[2])),
            air_exponent=law.air_exponent,
        )
        blend = known.blend
        if blend is not None:
            parts = [*blend.solvents, *blend.propellant, ("", blend.solids_pct / 100.0)]
            shifted = np.array([share for _, share in parts])
            shifted *= np.exp(0.15 * self.doubt * rng.standard_normal(len(parts)))
            shares = (shifted / shifted.sum()).tolist()
            named = [(name, share) for (name, _), share in zip(parts, shares, strict=True)]
            cut = len(blend.solvents)
            blend = replace(
                blend,
                solvents=tuple(named[:cut]),
                propellant=tuple(named[cut:-1]),
                solids_pct=100.0 * shares[-1],
            )
        return replace(known, drying=real, blend=blend)

    def scales(self, known: Material, number: int) -> dict[str, float]:
        """Return how many times the stated hours each mark takes in this shop."""
        rng, prior = self._draw(3, number), Prior.of(known)
        shop = float(rng.normal(0.0, prior.scale_sd))
        own = {m.name: float(rng.normal(0.0, m.own_sd)) if m.own_sd else 0.0 for m in prior.marks}
        return {name: float(np.exp(self.doubt * (shop + one))) for name, one in own.items()}

    def coat(self, piece: int, nth: int) -> tuple[float, float, float]:
        """Thickness over the usual, draught over the tool's, and time over the shop's."""
        shop = self._draw(4).standard_normal(2)
        own = self._draw(5, piece, nth).standard_normal(3)
        spread = np.array([0.05, 0.25, 0.0]) * np.array([*shop, 0.0])
        spread += np.array([0.18, 0.10, 0.10]) * own
        thick, draught, slow = np.exp(self.doubt * spread)
        return float(np.clip(thick, 0.6, 1.6)), float(draught), float(slow)


@dataclass(frozen=True)
class Month:
    """A month of weather with a hidden truth; the probes have hung for ``before`` it begins."""

    begins: date
    hidden: Hidden
    days: int = DAYS
    before: timedelta = BEFORE

    @property
    def start(self) -> datetime:
        """Midnight of its first day."""
        return datetime.combine(self.begins, time(0), ZONE).astimezone(UTC)

    @property
    def end(self) -> datetime:
        """Midnight after its last day."""
        return self.start + timedelta(days=self.days)


class World:
    """Rooms, their true air, and what coats in it really do.

    Parameters
    ----------
    month : Month
        Weather and hidden truth.
    materials : mapping
        Those that will be used, as the tool knows them.
    outdoors : Outdoors, optional
        Stands in for the weather file.
    """

    def __init__(
        self, month: Month, materials: Mapping[str, Material], outdoors: Outdoors | None = None
    ) -> None:
        self.month, self.known, hidden = month, materials, month.hidden
        numbers = {name: i for i, name in enumerate(sorted(materials))}
        self.real = {name: hidden.material(materials[name], i) for name, i in numbers.items()}
        self.scales = {name: hidden.scales(materials[name], i) for name, i in numbers.items()}
        weather = outdoors or read_weather(WEATHER)
        offset_h = (ZONE.utcoffset(None) or timedelta(0)) / timedelta(hours=1)
        rooms = replace(SALTMARSH, sprayings=(), utc_offset_h=offset_h)
        begun = month.start - month.before
        self.booth = Booth(rooms, weather, begun - WARM_UP)
        self.booth.step(WARM_UP.total_seconds(), part_s=STEP.total_seconds())
        self._probes = {
            place: _Probe(hidden.probe_error(i), hidden.doubt, (hidden.seed, 6, i))
            for i, place in enumerate(PLACES)
        }
        self.hours: dict[str, dict[str, float]] = {
            place: dict.fromkeys(materials, 0.0) for place in PLACES
        }
        """Reference hours that have passed in each place for each material's usual film."""

    @property
    def now(self) -> datetime:
        """The present."""
        return self.booth.at

    def step(self) -> dict[str, tuple[Air, bool]]:
        """Run on by one step; return what each probe made of the air, and whether it was heard."""
        airs = self.booth.step(STEP.total_seconds(), part_s=STEP.total_seconds())
        true_c = np.array([airs[place].air_c for place in PLACES])
        true_rh = np.array([airs[place].rh_pct for place in PLACES])
        for name, material in self.real.items():
            law = material.drying
            speed = np.asarray(drying.rate(law, true_c, true_rh, law.reference_film_um))
            for place, one in zip(PLACES, speed.tolist(), strict=True):
                self.hours[place][name] += one * (STEP / timedelta(hours=1))
        return {place: self._probes[place].read(airs[place], self.now) for place in PLACES}

    def sprayed(self, material_id: str) -> bool:
        """Whether that is a material, and one that is sprayed."""
        return material_id in self.known and self.known[material_id].blend is not None

    def spray(self, minutes: float, solvent_g: float) -> None:
        """Let the fan run for a coat."""
        self.booth.spray(minutes, solvent_g)

    def lay(self, material_id: str, wood: str, plate_mm: float, nth: tuple[int, int]) -> Laid:
        """Lay a piece's so-manieth coat in the booth's true air, and follow its film in full."""
        known, real = self.known[material_id], self.real[material_id]
        thick, draught, _ = self.month.hidden.coat(*nth)
        wet_um = known.usual_wet_um * thick
        if real.blend is None:
            return Laid(wet_um, 0.0, 0.0, np.inf, blushed=False)
        air = self.booth.air()[SALTMARSH.booth]
        course = film.simulate(
            real.blend,
            air.air_c,
            air.rh_pct,
            wet_um=wet_um,
            h_w_m2k=10.0 * draught,
            plate_mm=plate_mm,
            pressure_pa=air.pressure_pa,
            surface_c=air.surface_c,
            wood=wood,
            earlier_um=EARLIER_DRY * known.usual_wet_um * nth[1],
        )
        told = course.summary
        margin_k = told.film_floor_c - float(moist.dew_point(air.air_c, air.rh_pct))
        droplets = float(course.free_water_g_m2[-1])
        # A can's droplets take water up in flight: what of it dissolves shows nothing. On a film
        # below the dew point water lies as dew, whether its solvents could dissolve it or not.
        on_film = told.condensed_at_set_g_m2 if margin_k < 0.0 else 0.0
        caught = max(droplets, on_film)
        return Laid(
            wet_um, told.condensed_at_set_g_m2, droplets, margin_k, blushed=caught > BLUSH_G_M2
        )


class _Probe:
    """A probe whose errors stay, with noise, lost reports and outages of hours."""

    LOST = 0.02
    OUTAGES_A_DAY = 0.06
    OUTAGE_H = (1.0, 6.0)

    def __init__(
        self, error: tuple[float, float, float], doubt: float, seed: tuple[int, ...]
    ) -> None:
        self._error, self._doubt = error, doubt
        self._random = np.random.default_rng(seed)
        self._silent_until: datetime | None = None

    def read(self, air: Air, now: datetime) -> tuple[Air, bool]:
        """Return what it shows, and whether its report came through."""
        noise, lost = self._random.standard_normal(3), self._random.random(3)
        if lost[1] < self._doubt * self.OUTAGES_A_DAY * (STEP / timedelta(days=1)):
            low, high = self.OUTAGE_H
            self._silent_until = now + timedelta(hours=low + (high - low) * float(lost[2]))
        silent = self._silent_until is not None and now < self._silent_until
        heard = not silent and lost[0] >= self._doubt * self.LOST
        rh_pct = air.rh_pct + self._error[2] + self._doubt * 0.2 * noise[1]
        shown = Air(
            air_c=float(air.air_c + self._error[0] + self._doubt * 0.03 * noise[0]),
            rh_pct=float(min(max(rh_pct, 0.0), 100.0)),
            surface_c=float(air.surface_c + self._error[1] + self._doubt * 0.03 * noise[2]),
            pressure_pa=air.pressure_pa,
        )
        return shown, heard
