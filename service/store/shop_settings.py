"""What a shop says of itself on its pages; the environment and the settings file come first."""

from __future__ import annotations

import math
import os
import threading
from collections.abc import Callable, Mapping
from dataclasses import dataclass
from datetime import tzinfo
from functools import cached_property
from typing import Any, Literal
from zoneinfo import ZoneInfo, ZoneInfoNotFoundError

from tzlocal import get_localzone

from service.settings import Settings
from service.shop.said import say
from service.store.airs import ShopFacts
from service.store.db import Database
from service.store.errors import BadInput, Conflict
from service.store.facts import Facts, put_in
from service.store.fields import text, within
from service.store.wire import SETTINGS, announce

__all__ = ["CLOCKS", "NAMES", "UNITS", "SettingsBook", "ShopSettings", "Source", "zone_called"]

FACT = "settings"
UNITS = ("metric", "us")
CLOCKS = (24, 12)

Source = Literal["environment", "file", "page", "default"]
"""Where a setting comes from; the first two lock it."""


@dataclass(frozen=True)
class ShopSettings:
    """The shop's settings as they are in force.

    ``zone`` is a name, or None for the machine's own; ``keep_raw_days`` is None where single
    readings are kept for good.
    """

    name: str = ""
    zone: str | None = None
    units: str = "metric"
    clock: int = 24
    altitude_m: float = 0.0
    stale_after_s: float = 600.0
    check_every_days: int = 180
    keep_raw_days: int | None = None

    @cached_property
    def tz(self) -> tzinfo:
        """The shop's time zone."""
        return zone_called(self.zone)

    @property
    def us(self) -> bool:
        """Whether the shop's own units are °F and mil."""
        return self.units == "us"

    @property
    def facts(self) -> ShopFacts:
        """Those of the settings that decide answers."""
        return ShopFacts(self.stale_after_s, self.altitude_m, self.check_every_days)


NAMES = tuple(ShopSettings.__dataclass_fields__)


class SettingsBook:
    """Keeps what was set on the pages, and says what is in force.

    What the environment or the settings file says is in force whatever the pages say, so that a
    service set up from outside stays as it was set up.

    Parameters
    ----------
    settings : Settings
        What was said from outside, and the defaults.
    """

    def __init__(self, db: Database, settings: Settings) -> None:
        self._facts, self._settings = Facts(db), settings
        self._lock = threading.Lock()
        self._told: list[Callable[[ShopSettings], None]] = []
        self._kept = self._read()
        self._now = self._in_force()

    @property
    def now(self) -> ShopSettings:
        """The settings in force."""
        return self._now

    def on_change(self, tell: Callable[[ShopSettings], None]) -> None:
        """Have somebody told whenever a setting has changed."""
        self._told.append(tell)

    def sources(self) -> dict[str, Source]:
        """Where each setting comes from."""
        return {name: self._source(name) for name in NAMES}

    def change(self, given: Mapping[str, Any]) -> ShopSettings:
        """Take settings over; None lets one go back to its default.

        Raises
        ------
        BadInput
            Naming the setting that cannot be.
        Conflict
            Naming the setting that is set from outside.
        """
        with self._lock:
            taken = dict(self._kept)
            for name, value in given.items():
                if name not in NAMES:
                    raise BadInput(name, say("there is no such setting"))
                source = self._source(name)
                if source in {"environment", "file"}:
                    if value == getattr(self._now, name):
                        continue  # a form sends all of them
                    raise Conflict(
                        name, say("is set by the {source}; change it there", source=source)
                    )
                if value is None:
                    taken.pop(name, None)
                else:
                    taken[name] = _checked(name, value)
            with self._facts.db.write() as session:
                put_in(session, FACT, taken)
                announce(session, SETTINGS)
            self._kept = taken
            self._now = self._in_force()
        for tell in self._told:
            tell(self._now)
        return self._now

    def refresh(self) -> None:
        """Take over what another worker has changed, and tell whoever wants to be told."""
        with self._lock:
            kept = self._read()
            if kept == self._kept:
                return
            self._kept = kept
            self._now = self._in_force()
        for tell in self._told:
            tell(self._now)

    def _source(self, name: str) -> Source:
        if name in self._settings.model_fields_set and name in Settings.model_fields:
            said = os.environ.keys() & {f"BOOTHGLASS_{name.upper()}", f"boothglass_{name}"}
            return "environment" if said else "file"
        return "page" if name in self._kept else "default"

    def _read(self) -> dict[str, Any]:
        kept: dict[str, Any] = {}
        for name, value in (self._facts.get(FACT) or {}).items():
            # Another version may have written it: what cannot be used here counts as not said.
            if name in NAMES:
                try:
                    kept[name] = _checked(name, value)
                except BadInput:
                    continue
        return kept

    def _in_force(self) -> ShopSettings:
        outside = {n: getattr(self._settings, n) for n in NAMES if n in Settings.model_fields}
        fixed = outside.keys() & self._settings.model_fields_set
        return ShopSettings(**(outside | {n: v for n, v in self._kept.items() if n not in fixed}))


def zone_called(name: str | None) -> tzinfo:
    """Return a time zone by its name; None is the machine's.

    Raises
    ------
    BadInput
        Naming ``zone`` where there is none of that name.
    """
    if name is None:
        return get_localzone()
    try:
        return ZoneInfo(name)
    except (ZoneInfoNotFoundError, ValueError, OSError) as error:
        raise BadInput("zone", say("there is no zone {name}", name=repr(name[:60]))) from error


def _checked(name: str, value: Any) -> Any:
    """Return a value as it is kept; raises BadInput naming the setting."""
    if name == "name":
        return text("name", str(value), 80)
    if name == "zone":
        zone_called(str(value))
        return str(value)
    if name == "units":
        return _one_of(name, str(value), UNITS)
    if name == "clock":
        return _one_of(name, _whole(name, value), CLOCKS)
    if name == "altitude_m":
        return within(name, _number(name, value), -500.0, 5000.0, "m")
    if name == "stale_after_s":
        return within(name, _number(name, value), 30.0, 86_400.0, "s")
    if name == "check_every_days":
        return int(within(name, _whole(name, value), 1, 3650, "days"))
    return int(within(name, _whole(name, value), 30, 36_500, "days"))


def _one_of(name: str, value: Any, known: tuple[Any, ...]) -> Any:
    if value not in known:
        raise BadInput(name, say("must be one of {known}", known=", ".join(map(str, known))))
    return value


def _number(name: str, value: Any) -> float:
    try:
        number = float(value)
    except (TypeError, ValueError) as error:
        raise BadInput(name, say("is no number")) from error
    if not math.isfinite(number):
        raise BadInput(name, say("is no number"))
    return number


def _whole(name: str, value: Any) -> int:
    number = _number(name, value)
    if number != int(number):
        raise BadInput(name, say("is no whole number"))
    return int(number)
