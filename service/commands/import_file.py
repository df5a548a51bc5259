"""``boothglass import``: a data logger's CSV into the record."""

from __future__ import annotations

import itertools
import re
import sys
from collections.abc import Sequence
from pathlib import Path
from typing import Literal, cast

from tzlocal import get_localzone_name

from service.app import make_clock
from service.commands.common import fail, shop_database, shop_settings
from service.importing.layout import ImportProblem
from service.importing.plan import Plan, make_plan
from service.importing.rows import read
from service.importing.run import Outcome, bring_in
from service.settings import Settings
from service.store.db import sqlite_path
from service.store.shop_settings import SettingsBook

__all__ = ["run"]

SHOWN = 3
WORD = re.compile(r"[a-z0-9][a-z0-9_-]{0,63}")
LINES_A_DOT = 100_000


def _zone_of_shop(settings: Settings) -> str:
    """Name of the shop's zone: as set from outside or on its pages, else the machine's."""
    said = settings.zone
    if said is None and sqlite_path(settings.data).exists():
        with shop_database(settings) as database:
            said = SettingsBook(database, settings).now.zone
    return said or get_localzone_name() or "UTC"


def run(
    file: str,
    *,
    place: str,
    sensor: str | None,
    maps: Sequence[str],
    units: Sequence[str],
    time: Sequence[str],
    time_format: str | None,
    zone: str | None,
    pick: str | None,
    dry_run: bool,
) -> None:
    """Show how the file is read, then take it in; status 1 where none of it could be used."""
    settings = shop_settings()
    for option, word in (("--place", place), ("--sensor", sensor)):
        if word is not None and not WORD.fullmatch(word):
            fail(f"{option}: {word!r} is no word of a-z, 0-9, - and _, as topics have it")
    if pick not in {None, "earlier", "later"}:
        fail(f"--ambiguous: {pick!r} is neither earlier nor later")
    try:
        plan = make_plan(
            Path(file),
            maps=_pairs("--map", maps),
            units=_pairs("--unit", units),
            time=time,
            time_format=time_format,
            zone=zone,
            shop_zone=_zone_of_shop(settings),
            pick=cast("Literal['earlier', 'later'] | None", pick),
        )
        if sensor is None and plan.sensor is None:
            fail("--sensor: the file has no column that tells; name the sensor")
        print(described(plan, place, sensor))
        with shop_database(settings, make=True) as database:
            outcome = bring_in(
                database,
                plan,
                place,
                sensor,
                now=make_clock(settings).now(),
                dry_run=dry_run,
                progress=_Lines(),
                settling=_Hours(),
            )
    except ImportProblem as error:
        fail(str(error))
    print(told(outcome, dry_run=dry_run))
    if outcome.rows and outcome.refused + outcome.empty == outcome.rows:
        raise SystemExit(1)


def described(plan: Plan, place: str, sensor: str | None) -> str:
    """Say how a file is read, with its first rows as they are understood."""
    layout = plan.layout
    parted = {"\t": "tab"}.get(layout.delimiter, layout.delimiter)
    mark = "comma" if layout.decimal_comma else "point"
    zone = "" if plan.form.form in {"seconds", "milliseconds"} else f", {plan.zone_name}"
    marks = f"delimiter {parted} and decimal {mark}"
    lines = [
        f"{plan.path.name}: {layout.encoding}, {marks}, header in line {layout.header_line}",
        f"  {'at':<12} {' + '.join(plan.time)}, as {plan.form.form}{zone}",
    ]
    lines += [f"  {q:<12} {column.title}, in {column.unit}" for q, column in plan.columns.items()]
    if sensor is None:
        lines.append(f"  {'sensor':<12} {plan.sensor}")
    if plan.unused:
        lines.append(f"  not used: {', '.join(plan.unused)}")
    for row in itertools.islice(read(plan, place, sensor), SHOWN):
        report = row.report
        if report is None:
            lines.append(f"  line {row.line}: {row.problem or 'holds no reading'}")
            continue
        more = "" if report.surface_c is None else f", surface {report.surface_c:g} °C"
        more += "" if report.pressure_pa is None else f", {report.pressure_pa:g} Pa"
        lines.append(
            f"  line {row.line}: {report.place}/{report.sensor} {report.at:%Y-%m-%d %H:%M:%S} UTC, "
            f"{report.air_c:.4g} °C, {report.rh_pct:.4g} %{more}"
        )
    return "\n".join(lines)


def told(outcome: Outcome, *, dry_run: bool) -> str:
    """Say what became of the rows."""
    good = outcome.rows - outcome.refused - outcome.empty
    kept = (
        f"{good:,} would be taken in"
        if dry_run
        else f"{outcome.new:,} new, {outcome.duplicates:,} were there already"
    )
    lines = [f"{outcome.rows:,} rows: {kept}, {outcome.refused:,} refused"]
    if outcome.first_at and outcome.last_at:
        lines.append(f"  {outcome.first_at:%Y-%m-%d %H:%M} to {outcome.last_at:%Y-%m-%d %H:%M} UTC")
    if outcome.empty:
        lines.append(f"  {outcome.empty:,} hold no reading")
    if outcome.by_order:
        lines.append(
            f"  {outcome.by_order:,} are of an hour that came twice; their order told which"
        )
    lines += [
        f"  refused {count:,}, first in line {outcome.first_refused[why]:,}: {why}"
        for why, count in outcome.reasons.most_common()
    ]
    return "\n".join(lines)


def _pairs(option: str, given: Sequence[str]) -> dict[str, str]:
    found = {}
    for pair in given:
        name, equals, value = pair.partition("=")
        if not equals or not value:
            fail(f"{option}: {pair!r} is not like air_c=...")
        found[name.strip()] = value.strip()
    return found


class _Lines:
    """Says now and then how far a long file is."""

    def __init__(self) -> None:
        self._next = LINES_A_DOT

    def __call__(self, line: int) -> None:
        if line >= self._next:
            self._next = line + LINES_A_DOT
            print(f"line {line:,}", file=sys.stderr, flush=True)


class _Hours:
    """Says now and then how much is still to be reckoned."""

    EVERY = 720

    def __init__(self) -> None:
        self._next: int | None = None

    def __call__(self, left: int) -> None:
        if self._next is None or left <= self._next:
            if left:
                print(f"flags and roll-ups: {left:,} hours to go", file=sys.stderr, flush=True)
            self._next = left - self.EVERY
