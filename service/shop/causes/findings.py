"""From the evidence behind a flaw to the indicators that causes are scored by."""

from __future__ import annotations

from service.shop.causes.model import Finding, Findings
from service.shop.evidence.model import AirAt, CoatEvidence, Evidence, StepEvidence, Swings, Wait

__all__ = ["findings_of"]

Z80 = 1.2816
"""Standard deviations from the middle to either end of an 80 % range."""

WET_SD = 0.12
DISTANCE_SD = 0.1
BUILD_SD = 0.15
"""Relative uncertainties of what a hand and an eye tell of a coat (assumed)."""

COOLED_SD_K, SWING_SD_K, WEEK_SD_PCT = 0.3, 0.5, 1.0
"""Of differences of one sensor's readings, in which its offset falls out (assumed)."""


def findings_of(evidence: Evidence) -> Findings:
    """Take the indicators out of the evidence; what is doubtful or not known is left out.

    Air that rests on flagged readings is no finding: nothing is built on it.
    """
    return Findings(
        tuple(_of_coat(coat) for coat in evidence.coats),
        _of_piece(evidence),
        evidence.not_known,
    )


def _of_coat(coat: CoatEvidence) -> dict[str, Finding]:
    found: dict[str, Finding] = {"retarder_pct": Finding(coat.retarder_pct)}
    if coat.air_at is not None and not coat.air_at.flagged:
        found |= _of_air(coat, coat.air_at)
    if coat.waited is not None:
        found["waited_part"] = _part_waited(coat.waited)
        # A window that never closes has not closed.
        found["closed_part"] = Finding(coat.waited.closed_part or 0.0)
    if coat.usual_wet_um is not None:
        part = coat.wet_um / coat.usual_wet_um
        found["wet_part"] = Finding(part, WET_SD * part)
    if coat.distance_cm is not None and coat.usual_distance_cm is not None:
        part = coat.distance_cm / coat.usual_distance_cm
        found["distance_part"] = Finding(part, DISTANCE_SD * part)
    if coat.cooled_k is not None:
        found["cooled_k"] = Finding(coat.cooled_k, COOLED_SD_K)
    if coat.damp_after_pct is not None and coat.after.rh_sd_pct is not None:
        found["damp_after_pct"] = Finding(coat.damp_after_pct, coat.after.rh_sd_pct)
    if coat.fresh_batch is not None:
        found["fresh_batch"] = Finding(float(coat.fresh_batch))
    return found


def _of_air(coat: CoatEvidence, air: AirAt) -> dict[str, Finding]:
    found = {
        "rh_pct": Finding(air.rh_pct, air.rh_sd_pct),
        "air_c": Finding(air.air_c, air.air_sd_k),
    }
    if air.dew_point_margin_k is not None:
        found["dew_margin_k"] = Finding(air.dew_point_margin_k, air.dew_point_margin_sd_k)
    film = coat.film_at
    if film is not None and film.blush_margin_k is not None:
        haze = film.haze_margin_k
        # Where no dew came down in the film, what the drops had taken up may not have dissolved.
        if haze is not None and haze < film.blush_margin_k and film.blush_margin_k > 0.0:
            found["haze_margin_k"] = Finding(haze, film.blush_margin_sd_k)
        else:
            found["blush_margin_k"] = Finding(film.blush_margin_k, film.blush_margin_sd_k)
    return found


def _of_piece(evidence: Evidence) -> dict[str, Finding]:
    found = _of_waits(evidence)
    if evidence.swings is not None:
        found |= _of_swings(evidence.swings)
    if (wood := evidence.wood) is not None:
        found["wood_change_pct"] = Finding(wood.change_pct, wood.change_sd_pct)
    if evidence.film is not None and (part := evidence.film.build_part) is not None:
        found["build_part"] = Finding(part, BUILD_SD * part)
    if (beside := evidence.beside) is not None and beside.pieces:
        found["others_flawed"] = Finding(beside.flawed / beside.pieces)
    return found


def _of_waits(evidence: Evidence) -> dict[str, Finding]:
    waits = {
        "levelled_part": _earliest(evidence.steps, "level_sand"),
        "rubbed_part": _earliest(evidence.steps, "rub_out"),
        "handled_part": evidence.handled,
    }
    return {name: _part_waited(wait) for name, wait in waits.items() if wait is not None}


def _of_swings(swings: Swings) -> dict[str, Finding]:
    known = {
        "swing_k": (None if swings.air_k is None else abs(swings.air_k.change), SWING_SD_K),
        "coldest_c": (swings.coldest_c, SWING_SD_K),
        "dried_pct": (swings.dried_pct, WEEK_SD_PCT),
        "wetted_pct": (swings.wetted_pct, WEEK_SD_PCT),
    }
    return {name: Finding(value, sd) for name, (value, sd) in known.items() if value is not None}


def _earliest(steps: tuple[StepEvidence, ...], kind: str) -> Wait | None:
    """Of all steps of a kind, the wait that was cut shortest."""
    waits = [step.waited for step in steps if step.kind == kind and step.waited is not None]
    return min(waits, key=lambda wait: wait.clock, default=None)


def _part_waited(wait: Wait) -> Finding:
    return Finding(wait.clock, (wait.clock_high - wait.clock_low) / (2.0 * Z80))
