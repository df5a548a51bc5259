"""Figures and instants in a person's words: the shop's zone, the units it chose."""

from __future__ import annotations

import re
from dataclasses import dataclass
from datetime import UTC, datetime, time, timedelta, tzinfo
from zoneinfo import ZoneInfo, ZoneInfoNotFoundError

from babel.dates import format_date, format_skeleton, format_time
from tzlocal import get_localzone

from service.settings import Settings
from service.web.tongue import ENGLISH, Tongue

__all__ = ["UM_PER_MIL", "Words", "shop_zone"]

CM_PER_INCH = 2.54
UM_PER_MIL = 25.4
"""Micrometres in a mil, a thousandth of the inch of exactly 25.4 mm."""

GRAINS_PER_GRAM_KG = 7.0
"""Grains of water per pound of air in one gram per kilogram: a pound is 7000 grains."""

G_M2_PER_OZ_FT2 = 305.15
"""Grams per square metre in an (avoirdupois) ounce per square foot."""

LITRES_PER_PINT = 0.473176473
"""US liquid pint, in which dehumidifiers are sold."""

M3_PER_FT3 = 0.028316846592
M_PER_FT = 0.3048

UNKNOWN = "–"

_FIGURE = re.compile(
    r"(?P<value>-?\d+(?:\.\d+)?)(?P<gap>\s)"
    r"(?P<unit>K|°C|µm|m³|g/kg|g of water per kg of air)(?![\w/])"
)

_INSTANT = re.compile(r"\d{4}-\d\d-\d\dT\d\d:\d\dZ")
_DECIMAL = re.compile(r"(?<=\d)(?<!\.\d)\.(?=\d+(?![.\d]))")
"""The point of a decimal fraction, and not those of an address or a version."""


def shop_zone(settings: Settings) -> tzinfo:
    """Return the shop's time zone: the setting, else the machine's.

    Raises
    ------
    ValueError
        Naming ``BOOTHGLASS_ZONE`` where the setting names no zone.
    """
    if settings.zone is None:
        return get_localzone()
    try:
        return ZoneInfo(settings.zone)
    except (ZoneInfoNotFoundError, ValueError) as error:
        raise ValueError(f"BOOTHGLASS_ZONE: there is no zone {settings.zone!r}") from error


@dataclass(frozen=True)
class Words:
    """Puts SI and UTC into words.

    ``us`` chooses °F, mil and grains, ``twelve`` the clock with am and pm.
    """

    zone: tzinfo
    us: bool = False
    twelve: bool = False
    tongue: Tongue = ENGLISH

    def say(self, template: str, /, **given: object) -> str:
        """A sentence from its template, in the person's language."""
        return self.tongue.say(template, **given)

    def figure(self, value: float, digits: int = 0) -> str:
        """A bare figure."""
        return self._plain(value, digits)

    def _plain(self, value: float, digits: int) -> str:
        text = _minus(f"{value:.{digits}f}")
        return text if self.tongue.decimal == "." else text.replace(".", self.tongue.decimal)

    def rather(self, value: float) -> str:
        """A figure as short as it can be: no digit behind the point that says nothing."""
        return self._short(value, 6)

    def _short(self, value: float, digits: int) -> str:
        return f"{value:.{digits}g}".replace(".", self.tongue.decimal)

    def change(self, value: float, digits: int = 0) -> str:
        """A change, with its sign."""
        return f"{'+' if value >= 0 else ''}{self._plain(value, digits)}"

    @property
    def zone_name(self) -> str:
        """Name of the zone as browsers know it, or nothing."""
        return str(getattr(self.zone, "key", None) or "")

    # -- figures ---------------------------------------------------------------------------

    def temperature(self, celsius: float | None, digits: int = 1) -> str:
        """A temperature."""
        if celsius is None:
            return UNKNOWN
        value = celsius * 1.8 + 32.0 if self.us else celsius
        return f"{self._plain(value, digits)} {self.temperature_unit}"

    def temperatures(self, low_c: float, high_c: float) -> str:
        """A range of temperatures, its unit left to the figure beside it."""
        low, high = self.temperature(low_c), self.temperature(high_c)
        return self.say("{low} to {high}", low=low.rsplit(" ", 1)[0], high=high.rsplit(" ", 1)[0])

    def difference(self, kelvin: float | None, digits: int = 1) -> str:
        """A difference of temperatures."""
        if kelvin is None:
            return UNKNOWN
        return f"{self._plain(kelvin * self.difference_factor, digits)} {self.difference_unit}"

    def film(self, micrometres: float | None) -> str:
        """A film thickness."""
        if micrometres is None:
            return UNKNOWN
        if self.us:
            return f"{self._plain(micrometres / UM_PER_MIL, 1)} mil"
        return f"{self._plain(micrometres, 0)} µm"

    def humidity(self, percent: float | None) -> str:
        """A relative humidity."""
        return UNKNOWN if percent is None else f"{self._plain(percent, 0)} %"

    def fine(self, percent: float | None) -> str:
        """A relative humidity to a tenth, where a sensor is looked at closely."""
        return UNKNOWN if percent is None else f"{self._plain(percent, 1)} {self.say('% RH')}"

    def quantity(self, name: str, value: float | None) -> str:
        """A figure of a sensor: ``rh_pct``, or a temperature."""
        return self.fine(value) if name == "rh_pct" else self.temperature(value)

    def spread(self, name: str, sd: float | None) -> str:
        """A standard uncertainty of such a figure."""
        if sd is None:
            return UNKNOWN
        return (
            f"{self._plain(sd, 1)} {self.say('% RH')}"
            if name == "rh_pct"
            else self.difference(sd, 2)
        )

    def correction(self, name: str, slope: float, offset: float) -> str:
        """A correction as arithmetic on what was sent, in the shop's units."""
        unit = self.say("% RH") if name == "rh_pct" else self.temperature_unit
        shift = self.offset_figure(name, slope, offset)
        sent = self.say("sent")
        if abs(slope - 1.0) >= 5e-5:
            sent = f"{self._plain(slope, 4)} × {sent}"
        return f"{sent} {'−' if shift < 0 else '+'} {self._plain(abs(shift), 2)} {unit}"

    def offset_figure(self, name: str, slope: float, offset: float) -> float:
        """The offset of a correction in the shop's unit: °F have another zero than °C."""
        if name == "rh_pct" or not self.us:
            return offset
        return 1.8 * offset + 32.0 * (1.0 - slope)

    def offset_si(self, name: str, slope: float, figure: float) -> float:
        """The offset of a correction that was typed in the shop's unit, in % RH or K."""
        if name == "rh_pct" or not self.us:
            return figure
        return (figure - 32.0 * (1.0 - slope)) / 1.8

    def value_si(self, name: str, figure: float) -> float:
        """A value that was typed in the shop's unit, in % RH or °C."""
        return (figure - 32.0) / 1.8 if self.us and name != "rh_pct" else figure

    def spread_si(self, name: str, figure: float) -> float:
        """A difference that was typed in the shop's unit, in % RH or K."""
        return figure if name == "rh_pct" else figure / self.difference_factor

    def water(self, grams_per_m2: float | None) -> str:
        """Condensed water on the film."""
        if grams_per_m2 is None:
            return UNKNOWN
        if self.us:
            return f"{self._plain(grams_per_m2 / G_M2_PER_OZ_FT2, 3)} oz/ft²"
        return f"{self._plain(grams_per_m2, 1)} g/m²"

    def measured(self, value: float | None, unit: str) -> str:
        """A figure with the unit it came in, turned into the shop's."""
        if value is None:
            return UNKNOWN
        if unit == "°C":
            return self.temperature(value)
        if unit == "K":
            return self.difference(value)
        if unit == "µm":
            return self.film(value)
        if unit == "% RH":
            return f"{self._plain(value, 0)} {self.say('% RH')}"
        if unit == "s":
            return self.span(timedelta(seconds=value))
        if unit == "of the wait":
            return self.say("{share} % of the wait", share=self._plain(100 * value, 0))
        return f"{self._plain(value, 1)} {unit}".rstrip()

    def local(self, text: str) -> str:
        """Say a sentence of the service in the person's language, units, zone and clock."""
        text = self.tongue.said(text)
        if self.us:
            text = _FIGURE.sub(self._figure, text)
        if self.tongue.decimal != ".":
            text = _DECIMAL.sub(self.tongue.decimal, text)
        return _INSTANT.sub(lambda found: self.clock(datetime.fromisoformat(found[0])), text)

    def _figure(self, match: re.Match[str]) -> str:
        value, unit = float(match["value"]), match["unit"]
        if unit == "°C":
            return self.temperature(value)
        if unit == "K":
            return self.difference(value)
        if unit == "µm":
            return self.film(value)
        if unit == "m³":
            return f"{self._plain(value / M3_PER_FT3, 0)} ft³"
        grains = self._plain(value * GRAINS_PER_GRAM_KG, 0)
        if unit == "g/kg":
            return f"{grains} gr/lb"
        return self.say("{grains} grains of water per lb of air", grains=grains)

    @property
    def temperature_unit(self) -> str:
        """Unit of temperatures."""
        return "°F" if self.us else "°C"

    @property
    def difference_unit(self) -> str:
        """Unit of differences of temperature."""
        return "°F" if self.us else "K"

    @property
    def difference_factor(self) -> float:
        """Shop's units in one kelvin."""
        return 1.8 if self.us else 1.0

    def thin(self, millimetres: float) -> str:
        """A thickness or width of wood."""
        if self.us:
            return f"{self._plain(millimetres / 10.0 / CM_PER_INCH, 2)} in"
        return f"{self._plain(millimetres, 1)} mm"

    def shift(self, millimetres: float) -> str:
        """A change of width, with its sign: minus means that it shrank."""
        digits, figure, unit = (
            (3, millimetres / 10.0 / CM_PER_INCH, "in") if self.us else (1, millimetres, "mm")
        )
        return f"{'+' if figure > 0 else ''}{self._plain(figure, digits)} {unit}"

    def limit_unit(self, name: str) -> str:
        """Unit of a material's limit, by its name."""
        if name.endswith("_pct"):
            return self.say("% RH")
        return self.temperature_unit if name.endswith("_c") else self.difference_unit

    def limit_figure(self, name: str, value: float) -> str:
        """A material's limit in the shop's unit, without the unit, as a form field holds it."""
        if name.endswith("_c"):
            return self._plain(value * 1.8 + 32.0 if self.us else value, 1)
        return self._plain(value * (self.difference_factor if name.endswith("_k") else 1.0), 1)

    def plain_limit(self, name: str, figure: float) -> float:
        """A limit that was typed in the shop's unit, in the unit of its name."""
        if name.endswith("_c"):
            return (figure - 32.0) / 1.8 if self.us else figure
        return figure / self.difference_factor if name.endswith("_k") else figure

    @property
    def height_unit(self) -> str:
        """Unit of heights above the sea."""
        return "ft" if self.us else "m"

    def height_figure(self, metres: float) -> str:
        """A height in the shop's unit, without the unit, as a form field holds it."""
        return self._short(metres / M_PER_FT if self.us else metres, 6)

    def height_m(self, figure: float) -> float:
        """Metres of a height that was typed in the shop's unit."""
        return figure * M_PER_FT if self.us else figure

    @property
    def reach_unit(self) -> str:
        """Unit of the distance from gun or can."""
        return "in" if self.us else "cm"

    def reach_cm(self, figure: float) -> float:
        """Read a distance in the shop's unit, as centimetres."""
        return figure * CM_PER_INCH if self.us else figure

    @property
    def film_unit(self) -> str:
        """Unit of film thickness."""
        return "mil" if self.us else "µm"

    def film_figure(self, micrometres: float) -> str:
        """A film thickness without its unit, as a form field holds it."""
        return self._plain(micrometres / UM_PER_MIL, 1) if self.us else self._plain(micrometres, 0)

    def film_um(self, figure: float) -> float:
        """Micrometres of a thickness that was typed in the shop's unit."""
        return figure * UM_PER_MIL if self.us else figure

    @property
    def volume_unit(self) -> str:
        """Unit of a room's volume."""
        return "ft³" if self.us else "m³"

    def volume_m3(self, figure: float) -> float:
        """Cubic metres of a volume that was typed in the shop's unit."""
        return figure * M3_PER_FT3 if self.us else figure

    def volume_figure(self, cubic_metres: float) -> str:
        """A volume in the shop's unit, without the unit, as a form field holds it."""
        return self._short(cubic_metres / M3_PER_FT3 if self.us else cubic_metres, 4)

    @property
    def liquid_unit(self) -> str:
        """Unit of water that a machine takes out."""
        return self.say("pints") if self.us else self.say("litres")

    def litres(self, figure: float) -> float:
        """Litres of water typed in the shop's unit."""
        return figure * LITRES_PER_PINT if self.us else figure

    def liquid(self, litres: float | None) -> str:
        """An amount of water that a machine takes out."""
        if litres is None:
            return UNKNOWN
        return (
            f"{self._plain(litres / (LITRES_PER_PINT if self.us else 1.0), 1)} {self.liquid_unit}"
        )

    def chance(self, probability: float | None) -> str:
        """A probability, which is never said to be nothing or all."""
        if probability is None:
            return UNKNOWN
        if probability < 0.01:
            return self.say("under 1 %")
        return self.say("over 99 %") if probability > 0.99 else f"{100 * probability:.0f} %"

    # -- instants --------------------------------------------------------------------------

    def at(self, instant: datetime | None, now: datetime) -> str:
        """An instant, as short as it can be told from now: 15:40, tomorrow 9:10, Thu 9:10."""
        if instant is None:
            return self.say("not known")
        here, today = instant.astimezone(self.zone), now.astimezone(self.zone).date()
        clock = self.clock(instant)
        days = (here.date() - today).days
        if days == 0:
            return clock
        if days == 1:
            return self.say("tomorrow {clock}", clock=clock)
        if days == -1:
            return self.say("yesterday {clock}", clock=clock)
        if 0 < days < 7:
            return f"{self._date(here, 'EEE')} {clock}"
        if -7 < days < 0:
            return f"{self._date(here, 'EEE')} {self._date(here, 'MMMd')} {clock}"
        return f"{self.day(instant, now)} {clock}"

    def clock(self, instant: datetime) -> str:
        """A time of day."""
        here = instant.astimezone(self.zone)
        if self.twelve:
            return str(format_time(here.time(), "h:mm a", locale=self.tongue.locale))
        return f"{here:%H:%M}"

    def clock_field(self, text: str) -> str:
        """A time of day that is kept as HH:MM."""
        if not self.twelve or not text:
            return text
        return str(format_time(time.fromisoformat(text), "h:mm a", locale=self.tongue.locale))

    def weekday(self, instant: datetime) -> str:
        """A day of the week with its date: Thursday 3 Mar."""
        here = instant.astimezone(self.zone)
        return f"{self._date(here, 'EEEE')} {self._date(here, 'MMMd')}"

    def weekday_short(self, instant: datetime) -> str:
        """A day of the week in a figure: Thu."""
        return self._date(instant.astimezone(self.zone), "EEE")

    def day(self, instant: datetime | None, now: datetime) -> str:
        """A date: 3 Mar, with its year where that is another one."""
        if instant is None:
            return self.say("not known")
        here = instant.astimezone(self.zone)
        same = here.year == now.astimezone(self.zone).year
        return self._date(here, "MMMd" if same else "yMMMd")

    def _date(self, here: datetime, fields: str) -> str:
        if fields.startswith("E"):
            return str(format_date(here.date(), fields, locale=self.tongue.locale))
        # Asked with a zone it converts to UTC; the day is the shop's.
        return str(format_skeleton(fields, here.date(), locale=self.tongue.locale))

    def between(self, start: datetime | None, end: datetime | None, now: datetime) -> str:
        """A range of instants; the day is said once where both share it."""
        if start is None:
            return self.say("not known")
        if end is None:
            return self.say("{start} and later than can be told", start=self.at(start, now))
        same = start.astimezone(self.zone).date() == end.astimezone(self.zone).date()
        last = self.clock(end) if same else self.at(end, now)
        return self.say("{first} and {last}", first=self.at(start, now), last=last)

    def ago(self, seconds: float | None) -> str:
        """An age."""
        if seconds is None:
            return self.say("never")
        return self.say("{span} ago", span=self.span(timedelta(seconds=max(0.0, seconds))))

    def span(self, length: timedelta) -> str:
        """A length of time in its one fitting unit; the page's script says it the same way."""
        seconds = abs(length.total_seconds())
        if seconds < 90:
            return f"{seconds:.0f} s"
        if seconds < 5400:
            return f"{seconds / 60:.0f} min"
        if seconds < 172800:
            return f"{seconds / 3600:.0f} h"
        return self.say("{days} days", days=f"{seconds / 86400:.0f}")

    def hours(self, hours: float | None) -> str:
        """A length given in hours."""
        return UNKNOWN if hours is None else self.span(timedelta(hours=hours))

    def wait(self, hours: float | None) -> str:
        """A wait, to the minute while it is short: 1 h 20 min."""
        if hours is None:
            return UNKNOWN
        if hours >= 48.0:
            return self.say("{days} days", days=self._plain(hours / 24.0, 1))
        if hours >= 10.0:
            return f"{hours:.0f} h"
        whole, rest = divmod(round(hours * 60.0), 60)
        return f"{whole} h {rest:02d} min" if whole else f"{rest} min"

    def field(self, instant: datetime) -> str:
        """An instant as a local date-time form field holds it."""
        return f"{instant.astimezone(self.zone):%Y-%m-%dT%H:%M}"

    def from_field(self, text: str) -> datetime:
        """Read a local date-time form field in the shop's zone.

        Raises
        ------
        ValueError
            Where the text is no date and time.
        """
        at = datetime.fromisoformat(text)
        return (at if at.tzinfo else at.replace(tzinfo=self.zone)).astimezone(UTC)


def _minus(text: str) -> str:
    # "-0.0" is no figure that a person would write.
    return text.lstrip("-") if float(text) == 0.0 else text.replace("-", "−")
