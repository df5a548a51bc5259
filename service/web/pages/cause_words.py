"""Likely causes of a flaw in sentences: what speaks for each, what against, what is not known."""

from __future__ import annotations

from service.shop.causes import Indicator
from service.store.cause_book import knowledge
from service.web.cause_models import CauseOut, CausesOut, SaysOut
from service.web.words import Words

__all__ = ["CauseWords"]

SHOWN = 3
LEAST = 0.1
"""A cause below this is not worth a place among the first."""

VERDICTS = {
    "stands_out": "One cause stands out.",
    "several": "No cause stands out; these are the likelier ones.",
    "not_enough": "Not enough is known to say. What follows is little more than what is common.",
    "no_causes": "No causes are known for this kind.",
}


class CauseWords:
    """Sentences about causes in a person's words."""

    def __init__(self, told: CausesOut, words: Words) -> None:
        self.told, self.words = told, words

    @property
    def verdict(self) -> str:
        """How sure one may be, in a sentence."""
        return self.words.say(VERDICTS[self.told.verdict])

    @property
    def first(self) -> list[CauseOut]:
        """The likelier causes."""
        named = [cause for cause in self.told.causes if cause.id in knowledge().causes]
        return [c for n, c in enumerate(named[:SHOWN]) if n == 0 or c.probability >= LEAST]

    @property
    def choices(self) -> list[tuple[str, str]]:
        """Every cause that can be confirmed."""
        return [(cause.id, self.name(cause.name)) for cause in self.told.causes]

    @property
    def confirmed(self) -> str:
        """Name of the cause that was confirmed, or nothing."""
        return dict(self.choices).get(self.told.confirmed or "", "")

    def chance(self, cause: CauseOut) -> str:
        """A probability, no finer than it is worth."""
        share = 5 * round(20 * cause.probability)
        if share < 5:
            return self.words.say("under 5 %")
        if share > 95:
            return self.words.say("over 95 %")
        return self.words.say("about {share} %", share=share)

    def says(self, says: SaysOut) -> str:
        """What one indicator shows, beside what is usual."""
        indicator = knowledge().indicators[says.indicator]
        say = self.words.say
        shown = say(
            "{what} {value}, {weight}",
            what=self.name(indicator.name),
            value=self._value(indicator, says.value),
            weight=self.weight(says),
        )
        if says.coat is None:
            return shown
        return say("coat {number}: {shown}", number=says.coat, shown=shown)

    def name(self, text: str) -> str:
        """A name or a sentence of the knowledge of causes in the person's language."""
        return self.words.tongue.said(text)

    def not_known(self, cause: CauseOut) -> str:
        """What the record should know of a cause, and does not."""
        return "; ".join(map(self.name, cause.not_known))

    def weight(self, says: SaysOut) -> str:
        """How much it says."""
        many = says.ratio if says.ratio > 1.0 else 1.0 / says.ratio
        times = self.words.figure(many, 0 if many >= 3.0 else 1)
        if says.ratio > 1.0:
            return self.words.say("{times} times as common with it", times=times)
        return self.words.say("{times} times as common without it", times=times)

    def _value(self, indicator: Indicator, value: float) -> str:
        if indicator.unit == "K":
            return self.words.difference(value)
        if indicator.unit == "degC":
            return self.words.temperature(value)
        if indicator.id == "fresh_batch":
            return self.words.say("yes") if value > 0.5 else self.words.say("no")
        if indicator.unit:
            digits = 1 if indicator.unit == "points" else 0
            return f"{self.words.figure(value, digits)} {self.words.say(indicator.unit)}"
        return f"{self.words.figure(100.0 * value)} %"
