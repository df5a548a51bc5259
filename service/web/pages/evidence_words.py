"""What the record shows behind a flaw, in sentences: facts only, and what is not known of them."""

from __future__ import annotations

from collections.abc import Sequence
from datetime import datetime

from service.shop.evidence.model import AirSpan, CoatEvidence, Evidence, Swing, Wait
from service.shop.evidence.then import Difference
from service.store.flaw_book import Behind
from service.web import phrases
from service.web.tongue import ENGLISH
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
        words, say = self.words, self.words.say
        parts = [say("{film} wet", film=words.film(coat.wet_um))]
        if coat.usual_wet_um:
            usual = words.film(coat.usual_wet_um)
            parts = [say("{wet} (usual {usual})", wet=parts[0], usual=usual)]
        if coat.passes:
            parts.append(say("{passes} passes", passes=coat.passes))
        share = words.figure(coat.retarder_pct, 1 if coat.retarder_pct % 1 else 0)
        parts.append(
            say("{share} % retarder", share=share) if coat.retarder_pct else say("no retarder")
        )
        if coat.distance_cm is not None:
            figure = words.figure(coat.distance_cm / (words.reach_cm(1.0)))
            parts.append(say("from {figure} {unit} away", figure=figure, unit=words.reach_unit))
        parts.append(say("in {place}", place=coat.place_id))
        if coat.who:
            parts.append(say("by {who}", who=coat.who))
        return ", ".join(parts) + "."

    def film(self, coat: CoatEvidence) -> str:
        """Where the wet film was against the dew point."""
        film = coat.film_at
        if film is None or film.blush_margin_k is None:
            return ""
        words, say = self.words, self.words.say
        told = say(
            "The wet film is reckoned to have fallen to {floor}, {margin} {side} the dew point, "
            "give or take {sd}; that it was below: {chance}.",
            floor=words.temperature(film.film_floor_c),
            margin=words.difference(abs(film.blush_margin_k)),
            side=say("above") if film.blush_margin_k >= 0 else say("below"),
            sd=words.difference(film.blush_margin_sd_k),
            chance=words.chance(film.blush_probability),
        )
        haze = film.haze_margin_k
        if haze is None or haze >= film.blush_margin_k:
            return told
        # Water that the drops brought along comes before that which falls on the film.
        return f"{told} " + say(
            "The dew point was {margin} {side} the one from which on water stays undissolved "
            "in it.",
            margin=words.difference(abs(haze)),
            side=say("below") if haze >= 0 else say("above"),
        )

    def surface(self, coat: CoatEvidence) -> str:
        """The work against the dew point."""
        air = coat.air_at
        if air is None or air.dew_point_margin_k is None:
            return ""
        words, say = self.words, self.words.say
        return say(
            "{what} was {margin} {side} the dew point, give or take {sd}.",
            what=say("The surface")
            if air.surface_measured
            else say("The work, taken as warm as the air,"),
            margin=words.difference(abs(air.dew_point_margin_k)),
            side=say("above") if air.dew_point_margin_k >= 0 else say("below"),
            sd=words.difference(air.dew_point_margin_sd_k),
        )

    def wait_of(self, coat: CoatEvidence) -> str:
        """How far the coat below was."""
        if coat.waited is None:
            return ""
        below = self.numbers.get(coat.waited.coat_id)
        say = self.words.say
        which = say("Coat {number}", number=below) if below else say("The coat below")
        return say("{which} had {wait}.", which=which, wait=self.wait(coat.waited))

    def wait(self, wait: Wait) -> str:
        """How much of a wait had passed."""
        words, say = self.words, self.words.say
        figure, mark = words.figure, words.tongue.said(phrases.mark_name(wait.mark))
        if wait.clock >= LONG_PAST:
            times = figure(wait.clock, 1)
            text = say("{times} times its wait {mark} behind it", times=times, mark=mark)
        else:
            text = say(
                "{share} of its wait {mark} behind it ({low} to {high} %)",
                share=self.share(wait),
                mark=mark,
                low=figure(100 * wait.clock_low),
                high=figure(100 * wait.clock_high),
            )
        text = say("{wait}, in {hours}", wait=text, hours=words.hours(wait.waited_h))
        if wait.missing_h > 0.5:
            hours = words.hours(wait.missing_h)
            text = say("{wait}, {hours} of it without readings", wait=text, hours=hours)
        if wait.closed_part is not None and wait.closed_part > 1.0:
            text = say("{wait}; its window had closed again", wait=text)
        return text

    def share(self, wait: Wait) -> str:
        """How much of a wait had passed, as short as it can be told."""
        if wait.clock >= LONG_PAST:
            return f"{self.words.figure(wait.clock, 1)} ×"
        return f"{self.words.figure(100 * wait.clock)} %"

    def course_after(self, coat: CoatEvidence) -> str:
        """What the air did while it set."""
        parts, say = [], self.words.say
        if coat.cooled_k is not None and coat.cooled_k >= 1.0:
            fall = self.words.difference(coat.cooled_k)
            parts.append(say("the air fell by {fall} in the six hours after it", fall=fall))
        if coat.damp_after_pct is not None:
            damp = self.words.humidity(coat.damp_after_pct)
            parts.append(say("the dampest of the two hours after it was {damp}", damp=damp))
        return _sentence("; ".join(parts))

    def batch(self, coat: CoatEvidence) -> str:
        """Its material's batch and version."""
        parts, say = [], self.words.say
        if coat.batch:
            fresh = coat.fresh_batch
            named = say("batch {batch}", batch=coat.batch)
            parts.append(say("{batch} (the first coat from it)", batch=named) if fresh else named)
        if coat.material_version is not None:
            version = coat.material_version
            parts.append(say("figures of the material: version {version}", version=version))
        return _sentence("; ".join(parts))

    def doubt(self, span: AirSpan) -> str:
        """What is wrong with the readings of a span; nothing where all is well."""
        parts, say, figure = [], self.words.say, self.words.figure
        if span.flagged_share is not None and span.flagged_share > WORTH_TELLING:
            parts.append(say("{share} % doubtful", share=figure(100 * span.flagged_share)))
        if span.left_out:
            parts.append(say("{count} left out as impossible", count=span.left_out))
        if span.missing_share > WORTH_TELLING:
            share = figure(100 * span.missing_share)
            parts.append(
                say("{share} % of the time without readings, bridged", share=share)
                if span.bridged_share >= 0.99 * span.missing_share
                else say("{share} % of the time without readings", share=share)
            )
        return "; ".join(parts)

    def after_name(self, coat: CoatEvidence) -> str:
        """How far the span after a coat reaches."""
        return self.words.say(AFTER_ENDS[coat.after_ends])

    # -- the whole -------------------------------------------------------------------------

    def since(self) -> list[str]:
        """What came after the last coat, each fact a sentence."""
        found, words, say = self.evidence, self.words, self.words.say
        said = self._swings()
        if found.wood is not None:
            wood = found.wood
            change = f"{'+' if wood.change_pct > 0 else ''}{words.figure(wood.change_pct, 1)}"
            said.append(
                say(
                    "Its plate ({board}, {thickness}) is reckoned to have gone from {first} to "
                    "{last} % moisture ({change} points, give or take {sd}): {moved} over {width}.",
                    board=words.tongue.said(wood.board),
                    thickness=words.thin(wood.thickness_mm),
                    first=words.figure(wood.first_pct, 1),
                    last=words.figure(wood.last_pct, 1),
                    change=change,
                    sd=words.figure(wood.change_sd_pct, 1),
                    moved=words.shift(wood.moved_mm),
                    width=words.thin(wood.width_mm),
                )
            )
        if found.film is not None:
            film, part = words.film(found.film.dry_um), found.film.build_part
            said.append(
                say("Film on it: about {film} dry.", film=film)
                if part is None
                else say(
                    "Film on it: about {film} dry, {share} % of what the schedule builds by then.",
                    film=film,
                    share=words.figure(100 * part),
                )
            )
        if found.handled is not None:
            wait = self.wait(found.handled)
            said.append(say("When it was set up or put away its last coat had {wait}.", wait=wait))
        if found.beside is not None and found.beside.pieces:
            said.append(
                say(
                    "Other pieces coated within a day from the same material: {pieces}, "
                    "of which {flawed} with the same kind of flaw.",
                    pieces=found.beside.pieces,
                    flawed=found.beside.flawed,
                )
            )
        return said

    def _swings(self) -> list[str]:
        words, say, swing = self.words, self.words.say, self.evidence.swings
        if swing is None:
            return []
        said = []
        if swing.air_k is not None:
            change = self._swing(swing.air_k, "air")
            said.append(say("Largest change within a day: {change}.", change=change))
        if swing.rh_pct is not None:
            said.append(say("In humidity: {change}.", change=self._swing(swing.rh_pct, "rh")))
        if swing.coldest_c is not None:
            coldest, at = words.temperature(swing.coldest_c), words.at(swing.coldest_at, self.now)
            said.append(say("Coldest hour: {coldest}, {at}.", coldest=coldest, at=at))
        if swing.dried_pct is not None and swing.wetted_pct is not None:
            said.append(
                say(
                    "The week's mean humidity fell by {fall} RH and rose by {rise} RH at most.",
                    fall=words.humidity(swing.dried_pct),
                    rise=words.humidity(swing.wetted_pct),
                )
            )
        return said

    def _swing(self, swing: Swing, what: str) -> str:
        words, say = self.words, self.words.say
        size = (
            words.difference(abs(swing.change))
            if what == "air"
            else say("{humidity} RH", humidity=words.humidity(abs(swing.change)))
        )
        figure = words.temperature if what == "air" else words.humidity
        given = {
            "size": size,
            "first": figure(swing.from_value),
            "last": figure(swing.to_value),
            "times": words.between(swing.from_at, swing.until_at, self.now),
        }
        if swing.change > 0:
            return say("a rise of {size}, from {first} to {last}, between {times}", **given)
        return say("a fall of {size}, from {first} to {last}, between {times}", **given)

    def steps(self) -> list[tuple[datetime, str]]:
        """Steps and moves, oldest first."""
        say, name = self.words.say, self.words.tongue.said
        said = []
        for step in self.evidence.steps:
            text = name(step.step_name)
            if step.who:
                text = say("{step}, by {who}", step=text, who=step.who)
            if step.waited:
                wait = self.wait(step.waited)
                text = say("{step}: the coat under it had {wait}", step=text, wait=wait)
            said.append((step.at, text))
        for move in self.evidence.moves:
            text = (
                say("moved from {first} to {last}", first=move.from_place, last=move.to_place)
                if move.from_place
                else say("hung in {place}", place=move.to_place)
            )
            said.append((move.at, text))
        return sorted(said)

    def sensors(self) -> list[str]:
        """Sensors that all of it rests on."""
        words, say, said = self.words, self.words.say, []
        for sensor in self.evidence.sensors:
            method = phrases.METHODS.get(sensor.check_method or "", sensor.check_method or "")
            checked = (
                say(
                    "corrected since {day} ({method})",
                    day=words.day(sensor.checked_at, self.now),
                    method=words.tongue.said(method),
                )
                if sensor.checked_at
                else say("never checked")
            )
            said.append(
                say(
                    "{sensor} in {place}: {readings} readings, {checked}.",
                    sensor=sensor.sensor,
                    place=sensor.place_id,
                    readings=sensor.readings,
                    checked=checked,
                )
            )
        return said

    def corrections(self) -> list[str]:
        """Corrections that bear on it, and those that came later."""
        words, say, said = self.words, self.words.say, []
        for one in self.evidence.corrections:
            name = words.tongue.said(phrases.QUANTITIES.get(one.quantity, one.quantity))
            text = say(
                "{sensor} in {place}, {quantity}: {correction}, from {at} on",
                sensor=one.sensor,
                place=one.place_id,
                quantity=name.lower() if words.tongue is ENGLISH else name,
                correction=words.correction(one.quantity, one.slope, one.offset),
                at=words.at(one.from_at, self.now),
            )
            if one.later and one.in_force:
                made = words.at(one.made_at, self.now)
                text = say("Has since been corrected: {text}, made {at}", text=text, at=made)
            elif one.later:
                text = say("Was corrected then and is not any more: {text}", text=text)
            said.append(f"{text}.")
        return said

    def changed(self, changes: tuple[Difference, ...]) -> list[str]:
        """What is different from when the flaw was logged, a line a coat."""
        of_coats: dict[int, list[Difference]] = {}
        for one in changes:
            of_coats.setdefault(one.coat_id, []).append(one)
        return [self._changed(coat_id, found) for coat_id, found in of_coats.items()]

    def _changed(self, coat_id: int, found: Sequence[Difference]) -> str:
        say, number = self.words.say, self.numbers.get(coat_id)
        which = (
            say("Coat {number}", number=number)
            if number
            else say("A coat that is no longer under it")
        )
        if found[0].what == "coat":
            if found[0].now:
                return say("{which} was not on record then.", which=which)
            return say("{which} was then.", which=which)
        figures = [
            say(
                "{name} was {was}, now {is_now}",
                name=say(NAMES[one.what]),
                was=self._say(one, one.was),
                is_now=self._say(one, one.now),
            )
            for one in found
        ]
        return f"{which}: {'; '.join(figures)}."

    def _say(self, one: Difference, value: float | None) -> str:
        words = self.words
        if value is None:
            return words.say("not known")
        if one.what == "clock":
            return f"{words.figure(100 * value)} %"
        if one.what == "rh_pct":
            return f"{words.figure(value, 1)} %"
        if one.what.endswith("_k"):
            return words.difference(value)
        return words.temperature(value)


def told(behind: Behind, words: Words, now: datetime) -> Told:
    """Put evidence into words."""
    return Told(behind.evidence, words, now)


def _sentence(text: str) -> str:
    return f"{text[0].upper()}{text[1:]}." if text else ""
