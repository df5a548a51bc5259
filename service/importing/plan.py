"""How a file will be read: found out where it can be, told where it must be."""

from __future__ import annotations

import re
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from datetime import tzinfo
from pathlib import Path
from typing import Literal

from sensors.units import UNITS, unit_called
from service.importing.columns import QUANTITIES, Column, in_title, role_of
from service.importing.instants import TimeForm, find_form, zone_called
from service.importing.layout import ImportProblem, Layout, find_layout

__all__ = ["Plan", "make_plan"]

NEEDED = ("air_c", "rh_pct")


@dataclass(frozen=True)
class Plan:
    """Everything that decides how a row becomes a reading.

    ``zone_name`` says where the zone comes from, for whoever looks it over.
    """

    path: Path
    layout: Layout
    columns: Mapping[str, Column]
    time: tuple[str, ...]
    form: TimeForm
    zone: tzinfo
    zone_name: str
    pick: Literal["earlier", "later"] | None = None
    received: str | None = None
    sensor: str | None = None

    def index(self, title: str) -> int:
        """Return where a column stands."""
        return self.layout.titles.index(title)

    @property
    def unused(self) -> tuple[str, ...]:
        """Titles of columns that are passed over."""
        used = {c.title for c in self.columns.values()} | {*self.time, self.received, self.sensor}
        return tuple(title for title in self.layout.titles if title and title not in used)


def make_plan(
    path: Path,
    *,
    maps: Mapping[str, str] | None = None,
    units: Mapping[str, str] | None = None,
    time: Sequence[str] = (),
    time_format: str | None = None,
    zone: str | None = None,
    shop_zone: str = "UTC",
    pick: Literal["earlier", "later"] | None = None,
) -> Plan:
    """Find out how to read a file; what is given stands over what is found.

    Parameters
    ----------
    maps, units : mapping
        Quantity to column title, and to unit; ``-`` as a title leaves a quantity out.
    time : sequence of str
        The column of the instant, or those of its date and its time.
    time_format : str, optional
        A ``strptime`` format.
    zone, shop_zone : str
        Zone of instants that name none: as told, or the shop's.

    Raises
    ------
    ImportProblem
        Naming the option that would help.
    """
    told = dict(maps or {})
    _known(told, "--map")
    _known(units or {}, "--unit")
    wanted = [title for title in (*told.values(), *time) if title != "-"]
    layout = find_layout(path, wanted)
    columns = _columns(layout, told, units or {})
    when = tuple(time) or _time_columns(layout)
    form = TimeForm(time_format) if time_format else find_form(_instants(layout, when))
    roles = {role_of(title): title for title in layout.titles}
    titled = _zone_in(when)
    return Plan(
        path=path,
        layout=layout,
        columns=columns,
        time=when,
        form=form,
        zone=zone_called(zone or titled or shop_zone),
        zone_name=zone or (f"{titled}, by its title" if titled else f"{shop_zone}, the shop's"),
        pick=pick,
        received=roles.get("received"),
        sensor=roles.get("sensor"),
    )


def _known(given: Mapping[str, str], option: str) -> None:
    for name in given:
        if name not in QUANTITIES:
            raise ImportProblem(option, f"{name!r} is not one of {', '.join(QUANTITIES)}")


def _columns(
    layout: Layout, told: Mapping[str, str], units: Mapping[str, str]
) -> dict[str, Column]:
    found: dict[str, Column] = {}
    for quantity in QUANTITIES:
        titles = [t for t in layout.titles if role_of(t) == quantity]
        # Our own export has both, and what was sent is what is kept.
        titles = [t for t in titles if t.startswith("raw_")] or titles
        if quantity in told:
            titles = [told[quantity]] if told[quantity] != "-" else []
        if not titles and quantity in NEEDED:
            raise ImportProblem(
                "--map", f"no column is told for {quantity}; there are {_listed(layout.titles)}"
            )
        if len(titles) > 1:
            raise ImportProblem(
                "--map", f"{quantity} may be any of {_listed(titles)}; say which, or - for none"
            )
        if titles:
            unit = _unit(quantity, titles[0], units.get(quantity))
            if unit is not None:
                found[quantity] = Column(titles[0], unit)
    return found


def _unit(quantity: str, title: str, told: str | None) -> str | None:
    """Return a column's unit; None leaves the column out."""
    unit = unit_called(told) if told else in_title(title)
    if told and (unit is None or unit not in UNITS[quantity]):
        raise ImportProblem(
            "--unit", f"{quantity}: {told!r} is not one of {', '.join(UNITS[quantity])}"
        )
    if unit in UNITS[quantity]:
        return unit
    if quantity == "battery_pct":
        return None  # most likely a voltage, and not needed
    if quantity == "rh_pct" and unit is None:
        return "%"  # fractions would be refused nowhere, but no logger writes them
    raise ImportProblem(
        "--unit", f"{quantity}: {title!r} does not tell the unit; give --unit {quantity}=degC "
        f"or its like ({', '.join(UNITS[quantity])})",
    )  # fmt: skip


def _time_columns(layout: Layout) -> tuple[str, ...]:
    titles = [title for title in layout.titles if role_of(title) == "time"]
    if len(titles) == 1:
        return (titles[0],)
    if len(titles) == 2:
        # A date and a time beside each other make an instant; two instants do not.
        first = _instants(layout, titles[:1])
        if first and not any(":" in text for text in first):
            return (titles[0], titles[1])
    raise ImportProblem(
        "--time", f"which column is the time? There are {_listed(titles or layout.titles)}"
    )


def _zone_in(titles: Sequence[str]) -> str | None:
    """Return the offset that a title names, ``Date Time, GMT+01:00``; None where it names none."""
    found = re.search(r"\b(?:GMT|UTC)\s*([+-]\d{1,2}(?::?\d{2})?)?", " ".join(titles))
    if found is None:
        return None
    if found[1] is None:
        return "UTC"
    hours, minutes = found[1][1:].replace(":", "")[:-2], found[1][-2:]
    if len(found[1]) <= 3:
        hours, minutes = found[1][1:], "00"
    return f"{found[1][0]}{int(hours):02d}:{minutes}"


def _instants(layout: Layout, titles: Sequence[str]) -> list[str]:
    for title in titles:
        if title not in layout.titles:
            raise ImportProblem("--time", f"there is no column {title!r}")
    where = [layout.titles.index(title) for title in titles]
    found = [
        " ".join(row[i].strip() for i in where) for row in layout.sample if len(row) > max(where)
    ]
    return [text for text in found if text]


def _listed(titles: Iterable[str]) -> str:
    return ", ".join(repr(title) for title in titles if title)
