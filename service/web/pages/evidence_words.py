"""What the record shows behind a flaw, in sentences: facts only, and what is not known of them."""

from __future__ import annotations

from datetime import datetime

from service.shop.evidence.model import AirSpan, CoatEvidence, Evidence, Swing, Wait
from service.shop.evidence.then import Difference
from service.store.flaw_book import Behind
from service.web import phrases
from service.web.words import Words

__all__ = ["Told", "told"]

NAMES = {
    "air_c": "air",
    "rh_pct": "relative humidity",
    "dew_point_c": "dew point",
    "film_floor_c": "film floor",
    "blush_margin_k": "wet film over the dew point",
    "clock": "wait before it",
}
AFTER_ENDS = {
    "recoat": "until the next coat",
    "sand": "until it was sanded",
    "flaw": "until the flaw was seen",
    "day": "the day after",
}
WORTH_TELLING = 0.005
LONG_PAST = 2.0
"""From so many times the wait on it is told in times and not in parts."""


class Told:
    """Sentences about evidence in a person's words."""

    def __init__(self, evidence: Evidence, words: Words, now: datetime) -> None:
        self.evidence, self.words, self.now = evidence, words, now
        self.numbers = {c.coat_id: n for n, c in enumerate(evidence.coats, 1)}

    # -- a coat ----------------------------------------------------------------------------

    def coat(self, coat: CoatEvidence) -> list[str]:
        """How a coat went on, each fact a sentence."""
        return [
            text
            for text in (
                self.thickness(coat),
                self.film(coat),
                self.surface(coat),
                self.wait_of(coat),
                self.course_after(coat),
                self.batch(coat),
            )
            if text
        ]

    def thickness(self, coat: CoatEvidence) -> str:
        """Wet film, passes, retarder, distance."""
        words = self.words
        parts = [f"{words.film(coat.wet_um)} wet"]
        if coat.usual_wet_um:
            parts[0] += f" (usual {words.film(coat.usual_wet_um)})"
        if coat.passes:
            parts.append(f"{coat.passes} passes")
        parts.append(
            f"{words.figure(coat.retarder_pct, 1 if coat.retarder_pct % 1 else 0)} % retarder"
            if coat.retarder_pct
            else "no retarder"
        )
        if coat.distance_cm is not None:
            figure = coat.distance_cm / (words.reach_cm(1.0))
            parts.append(f"from {words.figure(figure)} {words.reach_unit}")
        who = f", by {coat.who}" if coat.who else ""
        return ", ".join(parts) + f", in {coat.place_id}{who}."

    def film(self, coat: CoatEvidence) -> str:
        """Where the wet film was against the dew point."""
        film = coat.film_at
        if film is None or film.blush_margin_k is None:
            return ""
        words = self.words
        side = "above" if film.blush_margin_k >= 0 else "below"
        return (
            f"The wet film is reckoned to have fallen to {words.temperature(film.film_floor_c)}, "
            f"{words.difference(abs(film.blush_margin_k))} {side} the dew point, give or take "
            f"{words.difference(film.blush_margin_sd_k)}; that it was below: "
            f"{words.chance(film.blush_probability)}."
        )

    def surface(self, coat: CoatEvidence) -> str:
        """The work against the dew point."""
        air = coat.air_at
        if air is None or air.dew_point_margin_k is None:
            return ""
        words = self.words
        what = "The surface" if air.surface_measured else "The work, taken as warm as the air,"
        side = "above" if air.dew_point_margin_k >= 0 else "below"
        return (
            f"{what} was {words.difference(abs(air.dew_point_margin_k))} {side} the dew point, "
            f"give or take {words.difference(air.dew_point_margin_sd_k)}."
        )

    def wait_of(self, coat: CoatEvidence) -> str:
        """How far the coat below was."""
        if coat.waited is None:
            return ""
        below = self.numbers.get(coat.waited.coat_id)
        which = f"Coat {below}" if below else "The coat below"
        return f"{which} had {self.wait(coat.waited)}."

    def wait(self, wait: Wait) -> str:
        """How much of a wait had passed."""
        figure, mark = self.words.figure, phrases.mark_name(wait.mark)
        if wait.clock >= LONG_PAST:
            text = f"{figure(wait.clock, 1)} times its wait {mark} behind it"
        else:
            low, high = figure(100 * wait.clock_low), figure(100 * wait.clock_high)
            text = f"{self.share(wait)} of its wait {mark} behind it ({low} to {high} %)"
        text += f", in {self.words.hours(wait.waited_h)}"
        if wait.missing_h > 0.5:
            text += f", {self.words.hours(wait.missing_h)} of it without readings"
        if wait.closed_part is not None and wait.closed_part > 1.0:
            text += "; its window had closed again"
        return text

    def share(self, wait: Wait) -> str:
        """How much of a wait had passed, as short as it can be told."""
        if wait.clock >= LONG_PAST:
            return f"{self.words.figure(wait.clock, 1)} ×"
        return f"{self.words.figure(100 * wait.clock)} %"

    def course_after(self, coat: CoatEvidence) -> str:
        """What the air did while it set."""
        parts = []
        if coat.cooled_k is not None and coat.cooled_k >= 1.0:
            fall = self.words.difference(coat.cooled_k)
            parts.append(f"the air fell by {fall} in the six hours after it")
        if coat.damp_after_pct is not None:
            damp = self.words.humidity(coat.damp_after_pct)
            parts.append(f"the dampest of the two hours after it was {damp}")
        return _sentence("; ".join(parts))

    def batch(self, coat: CoatEvidence) -> str:
        """Its material's batch and version."""
        parts = []
        if coat.batch:
            fresh = " (the first coat from it)" if coat.fresh_batch else ""
            parts.append(f"batch {coat.batch}{fresh}")
        if coat.material_version is not None:
            parts.append(f"figures of the material: version {coat.material_version}")
        return _sentence("; ".join(parts))

    def doubt(self, span: AirSpan) -> str:
        """What is wrong with the readings of a span; nothing where all is well."""
        parts = []
        if span.flagged_share is not None and span.flagged_share > WORTH_TELLING:
            parts.append(f"{100 * span.flagged_share:.0f} % doubtful")
        if span.left_out:
            parts.append(f"{span.left_out} left out as impossible")
        if span.missing_share > WORTH_TELLING:
            bridged = ", bridged" if span.bridged_share >= 0.99 * span.missing_share else ""
            parts.append(f"{100 * span.missing_share:.0f} % of the time without readings{bridged}")
        return "; ".join(parts)

    def after_name(self, coat: CoatEvidence) -> str:
        """How far the span after a coat reaches."""
        return AFTER_ENDS[coat.after_ends]

    # -- the whole -------------------------------------------------------------------------

    def since(self) -> list[str]:
        """What came after the last coat, each fact a sentence."""
        found = self.evidence
        words, swing = self.words, found.swings
        said = []
        if swing is not None:
            if swing.air_k is not None:
                said.append(
                    _sentence(f"largest change within a day: {self._swing(swing.air_k, 'air')}")
                )
            if swing.rh_pct is not None:
                said.append(_sentence(f"in humidity: {self._swing(swing.rh_pct, 'rh')}"))
            if swing.coldest_c is not None:
                said.append(
                    f"Coldest hour: {words.temperature(swing.coldest_c)}, "
                    f"{words.at(swing.coldest_at, self.now)}."
                )
            if swing.dried_pct is not None and swing.wetted_pct is not None:
                said.append(
                    f"The week's mean humidity fell by {words.humidity(swing.dried_pct)} RH and "
                    f"rose by {words.humidity(swing.wetted_pct)} RH at most."
                )
        if found.wood is not None:
            wood = found.wood
            change = f"{'+' if wood.change_pct > 0 else ''}{words.figure(wood.change_pct, 1)}"
            said.append(
                f"Its plate ({wood.board}, {words.thin(wood.thickness_mm)}) is reckoned to have "
                f"gone from {words.figure(wood.first_pct, 1)} to "
                f"{words.figure(wood.last_pct, 1)} % moisture ({change} points, give or take "
                f"{words.figure(wood.change_sd_pct, 1)}): "
                f"{words.shift(wood.moved_mm)} over {words.thin(wood.width_mm)}."
            )
        if found.film is not None:
            against = (
                f", {100 * found.film.build_part:.0f} % of what the schedule builds by then"
                if found.film.build_part is not None
                else ""
            )
            said.append(f"Film on it: about {words.film(found.film.dry_um)} dry{against}.")
        if found.handled is not None:
            said.append(
                f"When it was set up or put away its last coat had {self.wait(found.handled)}."
            )
        if found.beside is not None and found.beside.pieces:
            said.append(
                f"Other pieces coated within a day from the same material: {found.beside.pieces}, "
                f"of which {found.beside.flawed} with the same kind of flaw."
            )
        return said

    def _swing(self, swing: Swing, what: str) -> str:
        words = self.words
        rose = "rise" if swing.change > 0 else "fall"
        size = (
            words.difference(abs(swing.change))
            if what == "air"
            else f"{words.humidity(abs(swing.change))} RH"
        )
        say = words.temperature if what == "air" else words.humidity
        return (
            f"a {rose} of {size}, from {say(swing.from_value)} to {say(swing.to_value)}, "
            f"between {words.between(swing.from_at, swing.until_at, self.now)}"
        )

    def steps(self) -> list[tuple[datetime, str]]:
        """Steps and moves, oldest first."""
        found = self.evidence
        said = [
            (
                step.at,
                step.step_name
                + (f", by {step.who}" if step.who else "")
                + (f": the coat under it had {self.wait(step.waited)}" if step.waited else ""),
            )
            for step in found.steps
        ]
        said += [
            (move.at, f"moved from {move.from_place} to {move.to_place}") for move in found.moves
        ]
        return sorted(said)

    def sensors(self) -> list[str]:
        """Sensors that all of it rests on."""
        said = []
        for sensor in self.evidence.sensors:
            checked = (
                f"corrected since {self.words.day(sensor.checked_at, self.now)} "
                f"({phrases.METHODS.get(sensor.check_method or '', sensor.check_method)})"
                if sensor.checked_at
                else "never checked"
            )
            said.append(
                f"{sensor.sensor} in {sensor.place_id}: {sensor.readings} readings, {checked}."
            )
        return said

    def corrections(self) -> list[str]:
        """Corrections that bear on it, and those that came later."""
        words, said = self.words, []
        for one in self.evidence.corrections:
            name = phrases.QUANTITIES.get(one.quantity, one.quantity)
            text = (
                f"{one.sensor} in {one.place_id}, {name.lower()}: "
                f"{words.correction(one.quantity, one.slope, one.offset)}, "
                f"from {words.at(one.from_at, self.now)} on"
            )
            if one.later and one.in_force:
                text = f"Has since been corrected: {text}, made {words.at(one.made_at, self.now)}"
            elif one.later:
                text = f"Was corrected then and is not any more: {text}"
            said.append(f"{text}.")
        return said

    def changed(self, changes: tuple[Difference, ...]) -> list[str]:
        """What is different from when the flaw was logged."""
        return [self._changed(one) for one in changes]

    def _changed(self, one: Difference) -> str:
        number = self.numbers.get(one.coat_id)
        which = f"Coat {number}" if number else "A coat that is no longer under it"
        if one.what == "coat":
            return f"{which} was not on record then." if one.now else f"{which} was then."
        was, is_now = self._say(one, one.was), self._say(one, one.now)
        return f"{which}, {NAMES[one.what]}: was {was}, now {is_now}."

    def _say(self, one: Difference, value: float | None) -> str:
        if value is None:
            return "not known"
        if one.what == "clock":
            return f"{100 * value:.0f} %"
        if one.what == "rh_pct":
            return f"{self.words.figure(value, 1)} %"
        if one.what.endswith("_k"):
            return self.words.difference(value)
        return self.words.temperature(value)


def told(behind: Behind, words: Words, now: datetime) -> Told:
    """Put evidence into words."""
    return Told(behind.evidence, words, now)


def _sentence(text: str) -> str:
    return f"{text[0].upper()}{text[1:]}." if text else ""
