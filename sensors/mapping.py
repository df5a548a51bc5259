"""How the payloads of one kind of sensor are read: kept as data, checked once, then followed.

A mapping names the topic and, for each quantity, where its value lies and in which unit. Two forms:

``values``
    One message brings everything. Each value has a JSON Pointer (RFC 6901)::

        topic: shop/{place}/{sensor}/state
        values:
          air_c: {pointer: /air/temp, unit: °F}
          rh_pct: {pointer: /air/hum, unit: "%"}
        time: {pointer: /when, form: epoch_ms}

    With ``partial`` a message may bring only some of them.

``words``
    Each quantity has a topic of its own, told by the word in the place of ``{quantity}``. The
    payload is the number itself, with or without its unit behind it, or JSON with a pointer::

        topic: shop/rack/{sensor}/{quantity}
        place: rack
        words:
          temperature: {quantity: air_c, unit: °C}
          humidity: {quantity: rh_pct, unit: "%"}

``place`` and ``sensor`` are fixed words where the topic has no such part; ``only`` lists the
sensors that count, where others publish to topics of the same shape. What comes apart is joined by
:mod:`sensors.halves`.
"""

from __future__ import annotations

from collections.abc import Mapping as MappingOf
from datetime import UTC, datetime
from typing import Annotated, Any, Literal
from zoneinfo import ZoneInfo

from pydantic import BaseModel, ConfigDict, Field, ValidationError, field_validator, model_validator

from sensors.halves import Half
from sensors.payloads import MAX_PAYLOAD_BYTES, TOPIC_ROOT, topic_of
from sensors.pointer import Pointer
from sensors.topics import MOST_FILTERS, Pattern, overlap, own_pattern, word_of
from sensors.units import UNITS, figure, unit_called
from sensors.wire import PayloadError, Report, from_epoch, instant, number, parsed, report, shown

__all__ = ["Decoder", "Mapping", "MappingError", "Source", "When", "Word", "mapping_of"]

Quantity = Literal["air_c", "rh_pct", "surface_c", "pressure_pa", "battery_pct"]
TimeForm = Literal["iso", "epoch_s", "epoch_ms"]
Text = Annotated[str, Field(max_length=256)]
Level = Annotated[str, Field(min_length=1, max_length=128, pattern=r"^[^/+#\x00]+$")]


class MappingError(ValueError):
    """A mapping that cannot be; ``field`` names what is wrong with it."""

    def __init__(self, field: str, reason: str) -> None:
        super().__init__(f"{field}: {reason}")
        self.field = field
        self.reason = reason


class _Strict(BaseModel):
    model_config = ConfigDict(extra="forbid", frozen=True, allow_inf_nan=False)


class Source(_Strict):
    """Where a value lies in the payload, and its unit; ``""`` is the whole payload."""

    pointer: Text = ""
    unit: Text

    @field_validator("pointer")
    @classmethod
    def _pointer(cls, text: str) -> str:
        Pointer(text)
        return text

    @field_validator("unit")
    @classmethod
    def _unit(cls, text: str) -> str:
        unit = unit_called(text)
        if unit is None:
            raise ValueError(f"{shown(text)} is no unit known here")
        return unit


class Word(Source):
    """What a word in the place of ``{quantity}`` brings."""

    quantity: Quantity


class When(_Strict):
    """Where the instant of a reading lies, and how it is written.

    ``zone`` is the zone of ISO times that name none; without it they are refused.
    """

    pointer: Text
    form: TimeForm = "iso"
    zone: Text | None = None

    @field_validator("pointer")
    @classmethod
    def _pointer(cls, text: str) -> str:
        Pointer(text)
        if not text:
            raise ValueError("must lead into the payload")
        return text

    @field_validator("zone")
    @classmethod
    def _zone(cls, text: str | None) -> str | None:
        if text is not None:
            try:
                ZoneInfo(text)
            except (ValueError, OSError, LookupError) as error:
                raise ValueError(f"there is no zone {shown(text)}") from error
        return text


class Mapping(_Strict):
    """How the payloads of one kind of sensor are read; see the module."""

    topic: Text
    place: Text | None = None
    sensor: Text | None = None
    only: Annotated[tuple[Level, ...], Field(max_length=100)] = ()
    values: dict[Quantity, Source] = Field(default_factory=dict)
    words: Annotated[dict[Level, Word], Field(max_length=32)] = Field(default_factory=dict)
    partial: bool = False
    text_numbers: bool = False
    time: When | None = None

    @model_validator(mode="after")
    def _whole(self) -> Mapping:
        pattern = _pattern(self)
        _check_names(self, pattern)
        _check_sources(self)
        if self.time is not None and self.time.zone is not None and self.time.form != "iso":
            raise MappingError("time.zone", f"means nothing where the form is {self.time.form}")
        if overlap(pattern, own_pattern()):
            raise MappingError(
                "topic",
                f"would also take {TOPIC_ROOT}/<place>/<sensor>, which is for our own formats",
            )
        return self

    def spec(self) -> dict[str, Any]:
        """Return the mapping as plain data, without what is left at its default."""
        return self.model_dump(mode="json", exclude_defaults=True)


def mapping_of(spec: object) -> Mapping:
    """Make a mapping of plain data, as it comes from JSON or YAML.

    Raises
    ------
    MappingError
        Naming the field that is wrong, such as ``values.air_c.unit``.
    """
    try:
        return Mapping.model_validate(spec)
    except ValidationError as error:
        first = error.errors()[0]
        inner = first.get("ctx", {}).get("error")
        if isinstance(inner, MappingError):
            raise inner from error
        field = ".".join(str(part) for part in first["loc"] if part != "[key]") or "mapping"
        raise MappingError(field, first["msg"].removeprefix("Value error, ")) from error
    except RecursionError as error:
        raise MappingError("mapping", "is nested too deeply") from error


class Decoder:
    """Reads what one kind of sensor sends."""

    def __init__(self, mapping: Mapping) -> None:
        self.mapping = mapping
        self.pattern = _pattern(mapping)
        sources: dict[str, Source] = {str(q): source for q, source in mapping.values.items()}
        sources.update(mapping.words)
        self._pointers = {key: Pointer(source.pointer) for key, source in sources.items()}
        self._when = None if mapping.time is None else Pointer(mapping.time.pointer)
        self._zone = (
            None
            if mapping.time is None or mapping.time.zone is None
            else ZoneInfo(mapping.time.zone)
        )

    def matches(self, topic: str) -> bool:
        """Whether a topic is of this kind."""
        return not topic.startswith(f"{TOPIC_ROOT}/") and self.pattern.match(topic) is not None

    def decode(self, topic: str, payload: bytes, received_at: datetime) -> list[Report | Half]:
        """Turn one message into a report, or into halves of one.

        Raises
        ------
        PayloadError
            Naming ``topic``, ``payload`` or the field, and what is wrong.
        """
        parts = self.pattern.match(topic)
        if parts is None:
            raise PayloadError("topic", f"{shown(topic)} is not {self.mapping.topic}")
        place, sensor = self._address(parts)
        if len(payload) > MAX_PAYLOAD_BYTES:
            raise PayloadError("payload", f"{len(payload)} bytes; {MAX_PAYLOAD_BYTES} at most")
        if not payload.strip():
            raise PayloadError("payload", "is empty")
        if "quantity" in parts:
            return [self._half(place, sensor, parts["quantity"], payload, received_at)]
        return self._whole(place, sensor, payload, received_at)

    def _address(self, parts: MappingOf[str, str]) -> tuple[str, str]:
        place = self.mapping.place or word_of("place", parts["place"])
        sensor = self.mapping.sensor or word_of("sensor", parts["sensor"])
        topic_of(place, sensor)
        return place, sensor

    def _whole(
        self, place: str, sensor: str, payload: bytes, received_at: datetime
    ) -> list[Report | Half]:
        document = parsed(payload)
        values: dict[str, float | None] = {
            quantity: figure(
                quantity,
                self._pointers[quantity](document),
                source.unit,
                text=self.mapping.text_numbers,
            )
            for quantity, source in self.mapping.values.items()
        }
        at, timed = self._instant(document, received_at)
        here = {quantity: value for quantity, value in values.items() if value is not None}
        if not self.mapping.partial or {"air_c", "rh_pct"} <= here.keys():
            return [report(place, sensor, at, values, timed=timed)]
        if not here:
            raise PayloadError("payload", f"holds none of {', '.join(self.mapping.values)}")
        return [Half(place, sensor, at, q, v, timed) for q, v in here.items()]

    def _half(
        self, place: str, sensor: str, key: str, payload: bytes, received_at: datetime
    ) -> Half:
        word = self.mapping.words[key]
        document = _number_or_json(payload) if word.pointer == "" else parsed(payload)
        text = self.mapping.text_numbers or word.pointer == ""
        value = figure(word.quantity, self._pointers[key](document), word.unit, text=text)
        if value is None:
            raise PayloadError(word.quantity, "is missing")
        at, timed = self._instant(document, received_at)
        return Half(place, sensor, at, word.quantity, value, timed)

    def _instant(self, document: Any, received_at: datetime) -> tuple[datetime, bool]:
        """Return the instant, and whether the sender named it; null counts as not named."""
        when = self.mapping.time
        found = None if self._when is None else self._when(document)
        if when is None or found is None:
            return received_at, False
        if when.form == "iso":
            return self._from_iso(found, received_at), True
        if self.mapping.text_numbers and isinstance(found, str):
            found = _epoch_of(found)
        seconds = number("at", found) or 0.0
        return from_epoch(seconds / 1000.0 if when.form == "epoch_ms" else seconds), True

    def _from_iso(self, found: object, received_at: datetime) -> datetime:
        if not isinstance(found, str):
            raise PayloadError("at", f"{shown(found)} is not an ISO 8601 time")
        try:
            naive = datetime.fromisoformat(found)
        except ValueError:
            return instant(found)  # says what is wrong with it
        if naive.tzinfo is not None or self._zone is None:
            return instant(found)
        try:
            # In the hour that comes twice, the one nearer to the receipt is meant.
            both = [naive.replace(tzinfo=self._zone, fold=f).astimezone(UTC) for f in (0, 1)]
        except OverflowError as error:
            raise PayloadError("at", f"{shown(found)} is out of range") from error
        return min(both, key=lambda at: abs(at - received_at))


def _number_or_json(payload: bytes) -> Any:
    try:
        return parsed(payload)
    except PayloadError:
        try:
            return payload.decode("utf-8")
        except UnicodeDecodeError as error:
            raise PayloadError("payload", f"is not UTF-8 text (byte {error.start})") from error


def _epoch_of(text: str) -> float | str:
    try:
        return float(text) if len(text) <= 32 else text
    except ValueError:
        return text


def _pattern(mapping: Mapping) -> Pattern:
    only = {"sensor": mapping.only, "quantity": tuple(mapping.words)}
    try:
        return Pattern.of(mapping.topic, only)
    except ValueError as error:
        raise MappingError("topic", str(error)) from error


def _check_names(mapping: Mapping, pattern: Pattern) -> None:
    given = {"place": mapping.place, "sensor": mapping.sensor}
    for name, word in given.items():
        if (word is None) == (name not in pattern.named):
            why = "is in the topic already" if word else "is not in the topic, so it must be named"
            raise MappingError(name, why)
    try:
        topic_of(mapping.place or "booth", mapping.sensor or "wall")
    except PayloadError as error:
        raise MappingError(error.field, error.reason) from error
    if mapping.only and "sensor" not in pattern.named:
        raise MappingError("only", "lists sensors, but the topic has no {sensor}")
    if bool(mapping.words) != ("quantity" in pattern.named):
        why = (
            "needs {quantity} in the topic" if mapping.words else "must say what {quantity} may be"
        )
        raise MappingError("words", why)
    if pattern.count() > MOST_FILTERS:
        raise MappingError(
            "only", f"makes {pattern.count()} topics with the words; {MOST_FILTERS} at most"
        )


def _check_sources(mapping: Mapping) -> None:
    form = "words" if mapping.words else "values"
    if mapping.words and mapping.values:
        raise MappingError("values", "and words exclude each other")
    if mapping.words and mapping.partial:
        raise MappingError("partial", "is for values; words come apart in any case")
    brought = {word.quantity for word in mapping.words.values()} | mapping.values.keys()
    for quantity in ("air_c", "rh_pct"):
        if quantity not in brought:
            raise MappingError(form, f"must bring {quantity}")
    for key, word in mapping.words.items():
        _check_unit(f"words.{key}", word.quantity, word.unit)
    for quantity, source in mapping.values.items():
        _check_unit(f"values.{quantity}", quantity, source.unit)


def _check_unit(where: str, quantity: str, unit: str) -> None:
    if unit not in UNITS[quantity]:
        raise MappingError(
            f"{where}.unit", f"{unit} is no unit of {quantity}: {', '.join(UNITS[quantity])}"
        )
