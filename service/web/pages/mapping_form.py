"""A mapping as the fields of a form, and back."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field, replace
from typing import Any

from sensors.units import UNITS
from service.store.errors import StoreError
from service.web.kind_answers import ProposalOut, TriedOut
from service.web.pages.forms import Fields

__all__ = [
    "QUANTITIES",
    "TIME_FORMS",
    "UNIT_CHOICES",
    "Form",
    "as_typed",
    "blame",
    "blank",
    "form_of",
    "spec_of",
]

QUANTITIES = {
    "air_c": "Air temperature",
    "rh_pct": "Humidity",
    "surface_c": "Surface",
    "pressure_pa": "Pressure",
    "battery_pct": "Battery",
}

_UNIT_NAMES = {"fraction": "0 to 1"}
_NOT_SENT = "not sent"
UNIT_CHOICES = {
    quantity: [("", _NOT_SENT), *((unit, _UNIT_NAMES.get(unit, unit)) for unit in units)]
    for quantity, units in UNITS.items()
}

TIME_FORMS = (
    ("none", "none: when it arrives"),
    ("iso", "date and time (ISO 8601)"),
    ("epoch_s", "seconds since 1970"),
    ("epoch_ms", "milliseconds since 1970"),
)


class Blanks(dict[str, str]):
    """Fields by name; one that is not there is blank."""

    def __missing__(self, name: str) -> str:
        return ""


@dataclass(frozen=True)
class Form:
    """One form: a proposal or a mapping of one's own, what is wrong with it, what it would read."""

    key: str
    values: Mapping[str, str]
    topics: Sequence[str] = ()
    questions: Sequence[str] = ()
    errors: Mapping[str, str] = field(default_factory=Blanks)
    tried: Sequence[TriedOut] = ()
    open: bool = False
    words: bool = False
    """Whether each quantity has a topic of its own."""


def form_of(key: str, proposal: ProposalOut, samples: Mapping[str, str]) -> Form:
    """The form of a proposal; the first of its samples stands ready to be tried."""
    values = _values_of(proposal.mapping) | {"name": proposal.name}
    first = proposal.topics[0]
    values |= {"tried_topic": first, "payload": samples.get(first, "")}
    return Form(
        key,
        Blanks(values),
        proposal.topics,
        proposal.questions,
        tried=proposal.tried,
        open=key == "0",
        words="{quantity}" in values["topic"],
    )


def blank() -> Form:
    """An empty form, for a mapping of one's own."""
    return Form("own", Blanks(time_form="none"), words=True)


def as_typed(
    form: Form, typed: Fields, wrong: Mapping[str, str], tried: Sequence[TriedOut] | None
) -> Form:
    """The form with what was typed in it, and what became of it."""
    return replace(
        form,
        values=Blanks(typed),
        errors=Blanks(wrong),
        tried=tried or (),
        open=True,
        words=form.words or "{quantity}" in typed.get("topic", ""),
    )


def spec_of(fields: Fields) -> dict[str, Any]:
    """Return the mapping that a form describes, not yet checked."""
    spec: dict[str, Any] = {"topic": fields.get("topic", "")}
    for name in ("place", "sensor"):
        if name in fields:
            spec[name] = fields[name]
    if only := [part.strip() for part in fields.get("only", "").split(",") if part.strip()]:
        spec["only"] = only
    spec |= _sources_of(fields, by_word="{quantity}" in spec["topic"])
    for name in ("partial", "text_numbers"):
        if name in fields:
            spec[name] = True
    if fields.get("time_form", "none") != "none":
        spec["time"] = {
            "pointer": fields.get("time_pointer", ""),
            "form": fields["time_form"],
            "zone": fields.get("time_zone"),
        }
    return spec


def _sources_of(fields: Fields, *, by_word: bool) -> dict[str, Any]:
    values: dict[str, Any] = {}
    words: dict[str, Any] = {}
    for quantity in QUANTITIES:
        if f"{quantity}_unit" not in fields:
            continue
        source = {
            "unit": fields[f"{quantity}_unit"],
            "pointer": fields.get(f"{quantity}_pointer", ""),
        }
        values[quantity] = source
        for word in fields.get(f"{quantity}_word", "").split(","):
            if word.strip():
                words[word.strip()] = source | {"quantity": quantity}
    return {"words": words} if by_word else {"values": values}


def blame(error: StoreError, spec: Mapping[str, Any]) -> dict[str, str]:
    """Return what was wrong under the name of the form's own field."""
    name = error.field.removeprefix("mapping.")
    first, _, rest = name.partition(".")
    if first == "values" and rest:
        quantity, _, part = rest.partition(".")
        name = f"{quantity}_{part or 'unit'}"
    elif first == "words" and rest:
        word, _, part = rest.rpartition(".")
        found = spec.get("words", {}).get(word or rest, {})
        name = f"{found.get('quantity', 'air_c')}_{part if part in {'pointer', 'unit'} else 'word'}"
    elif first == "time" and rest:
        name = f"time_{rest}"
    elif first == "only":
        name = "only"
    elif name in {"id", "mapping"}:
        name = "name"
    elif name in {"values", "words"}:
        missing = error.reason.rsplit(" ", 1)[-1]
        name = f"{missing if missing in QUANTITIES else 'air_c'}_unit"
    return {name: error.reason, "form": error.reason}


def _values_of(spec: Mapping[str, Any]) -> dict[str, str]:
    values = {"topic": str(spec["topic"]), "time_form": "none"}
    values |= {name: spec[name] for name in ("place", "sensor") if name in spec}
    if "only" in spec:
        values["only"] = ", ".join(spec["only"])
    for quantity, source in spec.get("values", {}).items():
        values |= _source(quantity, source)
    for word, source in spec.get("words", {}).items():
        quantity = source["quantity"]
        before = values.get(f"{quantity}_word")
        values |= _source(quantity, source)
        values[f"{quantity}_word"] = f"{before}, {word}" if before else word
    values |= {name: "on" for name in ("partial", "text_numbers") if spec.get(name)}
    if "time" in spec:
        when = spec["time"]
        values["time_pointer"] = when["pointer"]
        values["time_form"] = when.get("form", "iso")
        values |= {"time_zone": when["zone"]} if when.get("zone") else {}
    return values


def _source(quantity: str, source: Mapping[str, Any]) -> dict[str, str]:
    return {
        f"{quantity}_pointer": source.get("pointer", ""),
        f"{quantity}_unit": source["unit"],
    }
