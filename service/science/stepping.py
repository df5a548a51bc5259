"""One step in time for the liquid of many films or drops at once.

Amounts relax exponentially; the temperature is implicit, with the weight that is exact for a linear
balance. Both stay in bounds for any step, so that the accuracy wanted alone sets the step. UNIFAC
is interpolated between two temperatures.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import lru_cache

import numpy as np

from service.science._checks import FloatArray
from service.science.liquid import TINY_MOL, Liquid
from service.science.transfer import heat_factor, stefan_factor, wetting

__all__ = ["Stepper", "Surroundings", "Wet", "stepper_of"]

_COLDEST_K, _WARMEST_K = 180.0, 345.0
_COLD_K, _WARM_K = 263.15, 303.15
_CROWDED = 4  # a share enters by this power: only a species that is nearly all feels itself
_SLOWEST, _LEAST = 1e-3, 0.1
_NEAR = 1.5  # room over water below which the limit of solubility is looked at closely
_MORE = 1.05
_FLAT = 0.08
_STRIDE, _SHORT_STRIDE = 0.7, 0.35


@dataclass(eq=False, slots=True)
class Wet:
    """Liquid of N cases.

    Attributes
    ----------
    moles : array (N, S)
        Of each species; of water, dissolved and free.
    room : array (N,)
        Moles of water that the solution holds or could hold; more lies as droplets of activity one.
    kelvin : array (N,)
    activity : array (N, S)
        Of each species.
    saturation : array (N, S)
        Pressure of each pure species at `kelvin`, Pa.
    share : array (N, S)
        Mole fraction of each in solution; 1 for water of which some is free.
    """

    moles: FloatArray
    room: FloatArray
    kelvin: FloatArray
    activity: FloatArray
    saturation: FloatArray
    share: FloatArray


@dataclass(eq=False, slots=True)
class Surroundings:
    """What N cases exchange heat and vapours with over one step, for the area they are kept for.

    Attributes
    ----------
    conductance : array (N, S)
        Molar flux for each Pa, mol/(s Pa).
    back : array (N, S)
        Conductance times the vapour pressures far from the face, mol/s.
    far_sum, pressure : array (N,)
        Sum of those, and the pressure of the air, Pa.
    h : array (N,)
        Heat-transfer coefficient times area, W/K.
    gas_kelvin : array (N,)
    other_heat, other_slope : array (N,)
        Further heat at the end of the step, ``other_heat - other_slope T``, W.
    other_now : array (N,)
        Further heat at its start, W.
    source : array (N, S) or None
        Moles that arrive in a second.
    capacity : array (N,)
        Heat capacity, J/K.
    solids_volume : array (N,)
        At the end of the step, m³.
    """

    conductance: FloatArray
    back: FloatArray
    far_sum: FloatArray
    pressure: FloatArray
    h: FloatArray
    gas_kelvin: FloatArray
    other_heat: FloatArray
    other_slope: FloatArray
    other_now: FloatArray
    source: FloatArray | None
    capacity: FloatArray
    solids_volume: FloatArray


class Stepper:
    """Steps the liquid of one blend; holds what does not change from case to case."""

    def __init__(self, liquid: Liquid) -> None:
        self.liquid = liquid
        self._pair = liquid.unifac.psi(np.array([_COLD_K, _WARM_K]))
        self._pure_pair = liquid.unifac.pure(self._pair)
        _, self._b, self._c = liquid.antoine
        self._ones = np.ones(len(liquid.names))
        self._solvent = self._ones.copy()
        self._solvent[liquid.water] = 0.0
        # Watson's relation is all but straight over the range of a wet film.
        cold, warm = liquid.latent_heat(np.array([_COLD_K, _WARM_K]))
        self._latent_slope = (warm - cold) / (_WARM_K - _COLD_K)
        self._latent = cold - self._latent_slope * _COLD_K

    def start(
        self,
        moles: FloatArray,
        room: FloatArray,
        solids_volume: FloatArray,
        kelvin: FloatArray,
    ) -> Wet:
        """Bring moles at a temperature into a state."""
        activity, room, share = self._activity(moles, room, solids_volume, kelvin)
        return Wet(moles, room, kelvin, activity, self.liquid.saturation(kelvin), share)

    def advance(
        self, wet: Wet, around: Surroundings, dt: FloatArray, *, lively: bool = False
    ) -> Wet:
        """Take one step of `dt` (N,) s; with more care where much changes in it (`lively`)."""
        step, now = dt[:, None], wet.moles
        pressure = wet.activity * wet.saturation
        conductance, back = self._open(around, pressure)
        off, inflow = conductance * pressure, back
        # Exponential Runge-Kutta of second order (Cox and Matthews 2002) about the rate at which
        # each amount would relax alone: a species that is nearly the whole liquid does not.
        decay = off / (now + TINY_MOL) * (1.0 - wet.share**_CROWDED)
        if around.source is not None:  # in a growing film each has more company
            inflow = back + around.source
            held = now @ self._ones
            decay *= (held / (held + dt * (around.source @ self._ones)))[:, None]
        z = np.maximum(decay * step, _SLOWEST)
        fall = -np.expm1(-z)
        decay = z / step
        guess = np.maximum(now + (inflow - off) * (fall / decay), _LEAST * now)
        # The room for water follows the solvents that make it.
        room = wet.room * ((guess @ self._solvent + TINY_MOL) / (now @ self._solvent + TINY_MOL))
        activity, room, share = self._activity(guess, room, around.solids_volume, wet.kelvin)
        bend = (z - fall) / (z * decay)
        change = off + decay * (guess - now)
        if lively:  # else Stefan's factor at the start serves the whole step
            change -= back
            conductance, back = self._open(around, activity * wet.saturation)
            change += back
        middle = guess + bend * change
        leaving = conductance * activity
        bend = bend * leaving
        # Heat goes by the flux at the end of the step; but of a species in balance with the air
        # all along, as water is, that is a small difference of large flows: there it goes by the
        # change of its amount.
        slaved = 1.0 - fall / z
        gained = (middle - now) / step
        if around.source is not None:
            gained = gained - around.source
        kelvin, saturation = self._temperature(
            wet,
            around,
            leaving + slaved * (bend / step - leaving),
            off,
            back,
            back + slaved * (gained - back),
            dt,
            2 if lively else 1,
        )
        moles = np.maximum(middle - bend * saturation, _LEAST * guess)
        activity *= 1.0 + (1.0 - share) * (moles / (guess + TINY_MOL) - 1.0)
        return Wet(moles, room, kelvin, np.minimum(activity, 1.0), saturation, share)

    def _open(self, around: Surroundings, pressure: FloatArray) -> tuple[FloatArray, FloatArray]:
        """Conductance and return flow with Stefan's factor for pressures at the face, (N, S)."""
        stefan = stefan_factor(pressure @ self._ones, around.far_sum, around.pressure)[:, None]
        return stefan * around.conductance, stefan * around.back

    def condensed(
        self,
        condensed: FloatArray,
        before: Wet,
        after: Wet,
        water_pa: FloatArray,
        landed: FloatArray | float = 0.0,
    ) -> FloatArray:
        """Water taken up below the dew point, after a step: a loss of water takes its share.

        `landed` is the water that came with the coat, in moles.
        """
        water = self.liquid.water
        gain = after.moles[:, water] - before.moles[:, water] - landed
        below = wetting(water_pa, after.saturation[:, water])
        share = condensed / (before.moles[:, water] + TINY_MOL)
        return np.asarray(condensed + gain * np.where(gain > 0.0, below, share))

    def _solvents(self, moles: FloatArray) -> FloatArray:
        return np.asarray(moles @ self._solvent + TINY_MOL)

    def _activity(
        self,
        moles: FloatArray,
        room: FloatArray,
        solids_volume: FloatArray,
        kelvin: FloatArray,
    ) -> tuple[FloatArray, FloatArray, FloatArray]:
        """Activities, the room for water brought closer to what it is, and shares."""
        water = self.liquid.water
        amounts = np.maximum(moles, TINY_MOL)
        if not self.liquid.separates:
            x = amounts / (amounts @ self._ones)[:, None]
            log_activity = self._log_activity(x, amounts, solids_volume, kelvin)
            return np.exp(np.minimum(log_activity, 0.0)), room, x
        solution = amounts.copy()
        solution[:, water] = np.minimum(room, solution[:, water]) + TINY_MOL
        # How activity rises with amount is only asked where water is near its limit: the same
        # solution with a little more water, in the same pass.
        near = np.flatnonzero(room < _NEAR * moles[:, water])
        count = kelvin.size
        if near.size:
            more = solution[near]
            more[:, water] *= _MORE
            solution = np.concatenate([solution, more])
            rows = np.concatenate([np.arange(count), near])
            solids_volume, kelvin = solids_volume[rows], kelvin[rows]
        x = solution / (solution @ self._ones)[:, None]
        log_activity = self._log_activity(x, solution, solids_volume, kelvin)
        share = x[:count].copy()
        share[solution[:count, water] < moles[:, water], water] = 1.0
        of_water = log_activity[:count, water]
        rise = np.ones(count)
        if near.size:
            rise[near] = (log_activity[count:, water] - of_water[near]) / np.log(_MORE)
        # Newton's stride; a short one upwards where activity hardly rises, since beyond lies
        # another, watery solution.
        stride = np.where(rise > _FLAT, _STRIDE, _SHORT_STRIDE)
        change = -of_water / np.maximum(rise, _FLAT)
        change = np.clip(change, -_STRIDE, np.maximum(stride, -of_water - _SHORT_STRIDE))
        used = solution[:count, water]
        room = used * np.exp(change)
        log_activity = log_activity[:count]
        if near.size:
            # To that room the activities follow at once: water's by its rise, the others' by
            # Gibbs and Duhem.
            more = rise * np.log(np.minimum(room, amounts[:, water]) / used)
            dilution = x[:count, water] / np.maximum(1.0 - x[:count, water], _FLAT)
            log_activity -= (more * dilution)[:, None]
            log_activity[:, water] += more * (1.0 + dilution)
        return np.exp(np.minimum(log_activity, 0.0)), room, share

    def _log_activity(
        self, x: FloatArray, solution: FloatArray, solids_volume: FloatArray, kelvin: FloatArray
    ) -> FloatArray:
        liquid = self.liquid
        weight = ((kelvin - _COLD_K) / (_WARM_K - _COLD_K))[:, None]
        log_activity = np.log(x)
        log_activity += liquid.unifac.log_coefficients_between(
            x, self._pair, self._pure_pair, weight
        )
        if liquid.chi is not None:
            log_activity += liquid.polymer_factor(solution, solids_volume)
        return log_activity

    def _temperature(
        self,
        wet: Wet,
        around: Surroundings,
        leaving: FloatArray,
        off: FloatArray,
        back: FloatArray,
        returning: FloatArray,
        dt: FloatArray,
        newton_passes: int,
    ) -> tuple[FloatArray, FloatArray]:
        """Temperature at the end of the step by the heat balance, and pure pressures there.

        `leaving` (N, S) is the flux that leaves at the end for each Pa of pure pressure and
        `returning` what returns then; `off` and `back` are the same at the start, in all.
        """
        liquid, kelvin, saturation = self.liquid, wet.kelvin, wet.saturation
        latent = self._latent + self._latent_slope * kelvin[:, None]
        net = off - back
        h = around.h * heat_factor(net @ liquid.vapour_heat_capacity, around.h)
        heat = h * (around.gas_kelvin - kelvin) + around.other_now - (net * latent) @ self._ones
        boiling = latent * leaving
        linear = h + around.other_slope
        constant = h * around.gas_kelvin + around.other_heat + (latent * returning) @ self._ones
        stored = around.capacity / dt
        weight = None
        for _ in range(newton_passes):
            face = boiling * saturation
            steepness = self._b / (kelvin[:, None] + self._c) ** 2
            steep = linear + (face * steepness) @ self._ones
            if weight is None:
                weight = _weight(steep / stored)
            miss = (
                stored * (wet.kelvin - kelvin)
                + weight * (constant - linear * kelvin - face @ self._ones - heat)
                + heat
            )
            kelvin = kelvin + miss / (stored + weight * steep)
            kelvin = np.clip(kelvin, _COLDEST_K, _WARMEST_K)  # dried-out films can run away
            saturation = liquid.saturation(kelvin)
        return kelvin, saturation


@lru_cache(maxsize=64)
def stepper_of(liquid: Liquid) -> Stepper:
    """Return the stepper of a liquid, made once."""
    return Stepper(liquid)


def _weight(z: FloatArray) -> FloatArray:
    """Weight of the step's end that makes a step exact for a linear balance: 1/2 to 1."""
    z = np.minimum(z, 500.0) + 1e-3
    return np.asarray(1.0 / -np.expm1(-z) - 1.0 / z)
