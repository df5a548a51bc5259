"""Rows of a file as reports: read in its units, and laid into time."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from datetime import UTC, datetime

from sensors.units import figure
from sensors.wire import PayloadError, Report
from service.importing.instants import in_order
from service.importing.layout import rows_of
from service.importing.plan import Plan

__all__ = ["Read", "read"]

NOTHING = frozenset({"", "-", "--", "---", "nan", "n/a", "na", "null", "none"})


@dataclass(frozen=True)
class Read:
    """One row: its report, or what is wrong with it; neither where it holds no reading at all.

    ``received_at`` where the file tells; ``by_order`` where an hour that came twice was told apart.
    """

    line: int
    cells: Sequence[str]
    report: Report | None = None
    received_at: datetime | None = None
    problem: PayloadError | None = None
    by_order: bool = False


def read(plan: Plan, place: str, sensor: str | None) -> Iterator[Read]:
    """Read a file row by row, in bounded memory.

    Parameters
    ----------
    sensor : str or None
        The sensor that all rows are of; None: the file's own column tells.
    """
    for one in in_order(_timed(plan), plan.zone, plan.pick):
        found = one.item
        if isinstance(found, Read):
            yield found
            continue
        line, cells, values = found
        if one.at is None:
            text = _instant(plan, cells)
            problem = PayloadError("at", f"{text} {one.why}")
            yield Read(line, cells, problem=problem)
            continue
        name = sensor or cells[plan.index(plan.sensor or "")].strip()
        report = Report(
            place, name, one.at, values["air_c"] or 0.0, values["rh_pct"] or 0.0,
            values.get("surface_c"), values.get("pressure_pa"),
            battery_pct=values.get("battery_pct"),
        )  # fmt: skip
        yield Read(line, cells, report, _received(plan, cells), by_order=one.by_order)


Values = dict[str, float | None]


def _timed(plan: Plan) -> Iterator[tuple[datetime, Read | tuple[int, list[str], Values]]]:
    """Yield rows with the instants they name; what cannot be used goes along under any instant."""
    any_time = datetime(2000, 1, 1, tzinfo=UTC)
    where = {quantity: plan.index(column.title) for quantity, column in plan.columns.items()}
    needed = 1 + max([*where.values(), *(plan.index(title) for title in plan.time)])
    for line, cells in rows_of(plan.path, plan.layout):
        try:
            values = _values(plan, cells, where, needed)
            if values is None:
                yield any_time, Read(line, cells)
                continue
            local = _at(plan, cells)
        except PayloadError as error:
            yield any_time, Read(line, cells, problem=error.with_traceback(None))
        else:
            yield local, (line, cells, values)


def _values(plan: Plan, cells: Sequence[str], where: dict[str, int], needed: int) -> Values | None:
    """Read a row's figures; None where neither air nor humidity was written (a logger's notes)."""
    if len(cells) < needed:
        raise PayloadError("row", f"has {len(cells)} of {len(plan.layout.titles)} cells")
    texts = {quantity: cells[i].strip() for quantity, i in where.items()}
    given = {q: None if text.casefold() in NOTHING else text for q, text in texts.items()}
    if given["air_c"] is None and given["rh_pct"] is None:
        return None
    values: Values = {}
    for quantity, text in given.items():
        column = plan.columns[quantity]
        if text is None and quantity in {"air_c", "rh_pct"}:
            raise PayloadError(column.title, "is empty")
        if text is not None and plan.layout.decimal_comma:
            text = text.replace(".", "").replace(",", ".")  # noqa: PLW2901 -- the same text
        try:
            values[quantity] = figure(quantity, text, column.unit or "", text=True)
        except PayloadError as error:
            raise PayloadError(column.title, error.reason) from None
    return values


def _instant(plan: Plan, cells: Sequence[str]) -> str:
    return " ".join(cells[plan.index(title)].strip() for title in plan.time)


def _at(plan: Plan, cells: Sequence[str]) -> datetime:
    text = _instant(plan, cells)
    try:
        return plan.form.parse(text)
    except ValueError:
        raise PayloadError(plan.time[0], f"{text!r} is not like {plan.form.form}") from None


def _received(plan: Plan, cells: Sequence[str]) -> datetime | None:
    if plan.received is None:
        return None
    try:
        found = datetime.fromisoformat(cells[plan.index(plan.received)].strip())
    except (ValueError, IndexError):
        return None
    return found.astimezone(UTC) if found.tzinfo else None
