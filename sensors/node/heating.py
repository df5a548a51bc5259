"""When a chip is heated, and how long it is not believed afterwards.

A humidity element that has sat in very damp air for long reads a few percent too high, and returns
over days ("creep"). A short pulse of the chip's own heater now and then keeps that small. The chip
is warm and dry then, and tells nothing of the air: what it measures during the pulse and for a
while after it is not a reading.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

__all__ = ["HeatingRule", "HeatingState", "is_due", "is_settling", "seen"]


@dataclass(frozen=True)
class HeatingRule:
    """When to heat.

    Parameters
    ----------
    above_pct : float or None
        Damp means at or above this relative humidity; None never heats.
    after_s : float
        Damp for so long without a break (assumed; creep needs hours).
    every_s : float
        Not more often; far below the tenth of the time that the SHT4x data sheet allows for the
        heater (from memory).
    settle_s : float
        Not believed for so long. A chip on a small board cools with a time constant of some seconds
        and its element answers within 8 s (SHT4x data sheet: 63 % in 4 to 8 s, from memory); a
        minute is seven of these and more.
    """

    above_pct: float | None = None
    after_s: float = 1800.0
    every_s: float = 3600.0
    settle_s: float = 60.0


@dataclass(frozen=True)
class HeatingState:
    """Since when it has been damp, and when the chip was heated; seconds of the running clock."""

    damp_since_s: float | None = None
    heated_s: float | None = None


def seen(state: HeatingState, rule: HeatingRule, rh_pct: float, now_s: float) -> HeatingState:
    """Return the state after a reading."""
    if rule.above_pct is None or rh_pct < rule.above_pct:
        return replace(state, damp_since_s=None)
    return state if state.damp_since_s is not None else replace(state, damp_since_s=now_s)


def is_due(state: HeatingState, rule: HeatingRule, now_s: float) -> bool:
    """Whether it is time for a pulse."""
    if rule.above_pct is None or state.damp_since_s is None:
        return False
    rested = state.heated_s is None or now_s - state.heated_s >= rule.every_s
    return rested and now_s - state.damp_since_s >= rule.after_s


def is_settling(state: HeatingState, rule: HeatingRule, now_s: float) -> bool:
    """Whether the chip is still too warm from a pulse to be believed."""
    return state.heated_s is not None and now_s - state.heated_s < rule.settle_s
