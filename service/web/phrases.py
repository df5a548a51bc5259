"""Words of the pages for the codes that decisions use."""

from __future__ import annotations

from collections.abc import Callable

from service.shop import parts
from service.shop.cards import InstrumentCard, NextAct
from service.shop.learning import words_for
from service.shop.said import say
from service.shop.spray_check import Reason, SprayCheck

__all__ = [
    "ANSWERS",
    "COATED_PARTS",
    "FIELDS",
    "HEALTH",
    "LIMITS",
    "METHODS",
    "PARTS",
    "PLACE_KINDS",
    "PLAN_WHY",
    "QUANTITIES",
    "SAID",
    "SCOPES",
    "SEVERITIES",
    "STATES",
    "TROUBLES",
    "WEEKDAYS",
    "act_label",
    "act_text",
    "first_upper",
    "headline",
    "limit_sense",
    "mark_name",
    "part_named",
    "reason_name",
    "touch_words",
]

ANSWERS = {"spray": "Spray", "wait": "Wait", "unknown": "Unknown"}

STATES = {
    "ready": "Ready now",
    "waiting": "Drying",
    "unknown": "Not known",
    "finished": "Finished",
}

PLACE_KINDS = {
    "booth": "Spray booth",
    "rack": "Drying rack",
    "store": "Wood store",
    "outdoors": "Outdoors",
}

QUANTITIES = {"rh_pct": "Humidity", "air_c": "Air temperature", "surface_c": "Surface"}

METHODS = {
    "two jars": "Two salt jars",
    "trusted instrument": "A trusted instrument",
    "typed in": "Typed in",
}

SENSOR_STATES = {
    "in use": "In use",
    "silent": "Silent",
    "in a jar": "In a salt jar",
    "coming back": "Coming back",
    "retired": "Out of use",
    "never heard": "Never heard",
}

LIMITS = {
    "air_min_c": "Air, at least",
    "air_max_c": "Air, at most",
    "rh_max_pct": "Humidity, at most",
    "dew_point_margin_k": "Surface over dew point, at least",
    "blush_margin_k": "Wet film over dew point, at least",
}

PLAN_WHY = {
    "now": "Can begin now.",
    "wait": "As soon as its wait is surely over.",
    "hours": "When the shop opens.",
    "window": "When the air is likely to allow spraying.",
    "coats": "Enough coats for the day before.",
    "masking": "While tape and paper are out from the masking of",
    "booth": "When the booth is free after",
    "hands": "When there is a hand free after",
    "grouped": "Placed with others: the whole is sooner done, with less gun cleaning and masking.",
}

WEEKDAYS = {
    "mon": "Monday",
    "tue": "Tuesday",
    "wed": "Wednesday",
    "thu": "Thursday",
    "fri": "Friday",
    "sat": "Saturday",
    "sun": "Sunday",
}

SEVERITIES = {1: "slight", 2: "must be put right", 3: "strip it"}

COATED_PARTS = parts.PARTS
"""Parts that may be masked and coated by themselves."""

PARTS = {
    "top": "top",
    "back": "back",
    "sides": "sides",
    "edge": "edge",
    "neck": "neck",
    "heel": "heel",
    "headstock": "headstock",
    "fingerboard": "fingerboard",
    "bridge": "bridge",
    "inside": "inside",
}
"""Where a flaw may lie, as it is kept and as it is said."""


SCOPES = {
    "read": "read everything",
    "write": "read, and do the shop's work",
    "readings": "take out readings, send forecasts",
}
"""What a program's token is for."""

SAID = {
    "moved-on": "Nothing was recorded: that step had already moved on. Look below before you tap.",
    "seen": "Marked as seen.",
    "flaw-set": "Kept.",
    "photo-kept": "The photo is kept, without place, time or owner.",
    "photo-gone": "The photo is taken back.",
    "photo-unusable": "The flaw is logged without its photo, which cannot be used.",
    "person-set": "Kept.",
    "person-gone": "Taken away. Nothing more is told.",
    "channel-added": "Added. Send a test to see that it gets through.",
    "channel-gone": "Taken away. Its address is forgotten.",
    "test-sent": "The test is on its way.",
    "test-failed": "The test did not get through; the reason stands with the channel.",
    "corrected": "The correction is kept: air, history and clocks show it from its date on.",
    "uncorrected": "The correction is undone: everything is as it was before it.",
    "sensor-set": "Set.",
    "settings": "Set, and in force.",
    "calendar-renewed": "A new address was made; the old one leads nowhere.",
    "device": "Set: this phone speaks like this from now on.",
    "signed-out": "Signed out. What this device kept of the pages is gone from it.",
    "password-set": "The password is set. Other devices were signed out.",
    "device-ended": "Signed out there.",
    "devices-ended": "Every other device is signed out.",
    "passkey-gone": "The passkey is taken away.",
    "passkey-made": "The passkey is kept: from now on it lets you in.",
    "token-gone": "The token counts no more.",
    "role-set": "Set: it counts from now on.",
    "access-closed": "The sign-in is taken away, with every device of it.",
    "retired": "Out of use. Its readings stay; it is not missed.",
    "key-ended": "It is let in no more. What it has sent stays.",
    "in-use": "Back in use.",
    "gone": "It has left the shop. Its record stays.",
    "back": "It is in the shop again.",
    "check-begun": "The check is under way. The sensor does not count for its place meanwhile.",
    "jar-taken": "The jar's reading is taken.",
    "check-over": "The check is given up. Nothing was corrected.",
}

TROUBLES = {
    400: "This could not be read",
    403: "Not from here",
    404: "There is nothing here",
    405: "Not in this way",
    409: "Not as things stand",
    413: "Too large",
    422: "This cannot be so",
    500: "Something went wrong here",
    503: "Not now",
}
"""Titles of pages that tell what went wrong, by HTTP status."""

HEALTH = {"ok": "all is well", "degraded": "it runs, but", "failing": "it fails"}

FIELDS = {
    "body": "what was sent",
    "channel": "channel",
    "coat": "coat",
    "flaw": "flaw",
    "instrument": "piece",
    "kind": "kind",
    "material": "material",
    "notice": "notice",
    "person": "person",
    "photo": "photo",
    "place": "place",
    "schedule": "schedule",
    "sensor": "sensor",
    "step": "step",
    "token": "link",
}
"""What a field is called where it stands beside no form."""

_REASONS = {
    "blush_margin": "Wet film over dew point",
    "haze_margin": "Dew point below the one that clouds the coat",
    "dew_point_margin": "Surface over dew point",
    "humidity": "Relative humidity",
    "air_low": "Air, at the cold end",
    "air_high": "Air, at the warm end",
    "reading_age": "Age of the reading",
    "recoat_mark": "Last coat's wait",
    "cold_work": "Work that came in cold, over dew point",
    "sensor_trust": "Sensors can be trusted",
    "film_model_range": "Range of the film model",
}

_AT_LEAST = {
    "blush_margin",
    "haze_margin",
    "dew_point_margin",
    "air_low",
    "recoat_mark",
    "cold_work",
}
_AT_MOST = {"humidity", "air_high", "reading_age"}

_MARKS = {
    "handle": "to handle",
    "recoat": "to recoat",
    "sand": "to sand",
    "rub_out": "to rub out",
    "wipe": "to wipe",
    "buff": "to buff",
    "cut": "to file",
    "unclamp": "to unclamp",
    "load": "to string up",
}

_HEADLINES = {
    ("wait", "blush_margin"): "The wet film would fall too near the dew point and may blush.",
    ("wait", "haze_margin"): "Water from the air would stay in the wet film and cloud it.",
    ("wait", "dew_point_margin"): "The work is too near the dew point.",
    ("wait", "humidity"): "The air is too damp for this material.",
    ("wait", "air_low"): "The air is too cold for this material.",
    ("wait", "air_high"): "The air is too warm for this material.",
    ("wait", "cold_work"): "The work came in cold and has not warmed up yet.",
    ("wait", "recoat_mark"): "The last coat has not waited long enough.",
    ("unknown", "reading_age"): "No fresh reading, so no answer.",
    ("unknown", "sensor_trust"): "The sensors cannot be trusted now, so no answer.",
    ("unknown", "film_model_range"): "This is outside what the film is reckoned for.",
}


def headline(check: SprayCheck) -> str:
    """The main reason in one plain sentence."""
    if check.answer == "spray":
        return say("Every limit holds in this air.")
    reason = check.main_reason
    if reason is None:
        return ""
    return _HEADLINES.get((check.answer, reason.what), f"{first_upper(reason.text)}.")


def first_upper(text: str) -> str:
    """Begin a sentence; what follows stays as it is (K, RH, °C)."""
    return text[:1].upper() + text[1:]


def reason_name(reason: Reason) -> str:
    """Name of what a reason measures."""
    return _REASONS.get(reason.what, reason.what.replace("_", " ").capitalize())


def limit_sense(reason: Reason) -> str:
    """Which side of the limit is asked for."""
    if reason.what in _AT_LEAST:
        return say("at least")
    return say("at most") if reason.what in _AT_MOST else ""


def mark_name(mark: str) -> str:
    """A mark as it follows "ready"."""
    return _MARKS.get(mark, mark.replace("_", " "))


TOUCHED_FROM = 0.6
"""Share of a wait from which a finger on the coat has something to tell."""


def touch_words(card: InstrumentCard) -> dict[str, str]:
    """What a finger on the last coat can say; nothing while its wait is far from over."""
    wait = card.act.wait
    if card.last_coat_id is None or wait is None or wait.clock < TOUCHED_FROM:
        return {}
    return words_for([mark.mark for mark in card.marks])


def part_named(said: str, name: Callable[[str], str]) -> str:
    """A part as it is kept, where it was said in a language; else as it was said."""
    asked = said.strip().casefold()
    return next((part for part in PARTS if asked == name(part).casefold()), said)


def act_text(act: NextAct) -> str:
    """What comes next, such as "Clear coats, 4 of 10"."""
    if act.coat_number is not None and act.coats and act.coats > 1:
        return say(
            "{what}, {coat_number} of {coats}",
            what=act.step_name,
            coat_number=act.coat_number,
            coats=act.coats,
        )
    return act.step_name


def act_label(card: InstrumentCard) -> str:
    """Words on the button that records the open step."""
    act = card.act
    if act.coat_number is not None:
        if act.coats and act.coats > 1:
            return say("Coat {number:d} is on", number=act.coat_number)
        return say("Coat is on")
    return say("Done")
