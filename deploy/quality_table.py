"""The tables of the page on the quality of readings: limits, false alarms, faults found.

    python deploy/quality_table.py             print them
    python deploy/quality_table.py --write     write them into the page

Takes some minutes, most of them for a month of the simulated shop. Chance is seeded: the same
code gives the same tables. Seeds and weather are not those that the limits were looked at with.
"""

from __future__ import annotations

import ast
import math
import re
import sys
from pathlib import Path

import quality_rates as rates

from sensors.faults import FAULTS
from sensors.told import QUIET, Told
from service.shop.quality import limits

PAGE = Path(__file__).resolve().parents[1] / "dashboards" / "docs" / "quality.md"
WEATHER, MONTH = "pvlib:723170TYA.CSV", 1
DAYS, TRIALS = 30.0, 100
LIVE_S = 3.0 * 86400.0
BOOTH_SEED, SENSORS_SEED, TRIALS_SEED = 1, 2, 3


def limits_table() -> str:
    """Return every limit with its value and what it rests on, read from where it is set."""
    lines = ["| limit | value | what it is, and its basis |", "|---|---|---|"]
    body = ast.parse(Path(limits.__file__).read_text(encoding="utf-8")).body
    for at, node in enumerate(body):
        if not isinstance(node, ast.Assign):
            continue
        told = body[at + 1]
        text = ast.literal_eval(told.value) if isinstance(told, ast.Expr) else ""
        lines += [
            f"| `{name}` | {_value(getattr(limits, name))} | {' '.join(text.split())} |"
            for name in re.findall(r"[A-Z][A-Z_]+", ast.unparse(node.targets[0]))
        ]
    return "\n".join(lines)


def _value(value: object) -> str:
    if isinstance(value, tuple):
        return " to ".join(f"{part:g}" for part in value)
    return f"{value:g}"


def alarms_table(columns: dict[str, list[list[Told]]], live: dict[str, list[list[Told]]]) -> str:
    """Return the false alarms of each flag, a column for each kind of clean record."""
    found = {name: rates.false_alarms(places) for name, places in columns.items()}
    found |= {name: rates.live_alarms(places) for name, places in live.items()}
    days = {name: rates.sensor_days(places) for name, places in (columns | live).items()}
    lines = [
        "| flag | " + " | ".join(f"{name}, {days[name]:,.0f} sensor-days" for name in found) + " |",
        "|---|" + "---|" * len(found),
    ]
    for row in zip(*found.values(), strict=True):
        cells = [f"{one.a_day:.3f} ({one.share_pct:.2f})" if one.a_day else "0" for one in row]
        lines.append(f"| {row[0].flag} | " + " | ".join(cells) + " |")
    return "\n".join(lines)


def faults_table(records: dict[str, list[list[Told]]], trials: int = TRIALS) -> str:
    """Return what was found of each fault, in each record."""
    head = [f"{name}: alone | beside two | minutes" for name in records]
    lines = [
        "| flag | fault | " + " | ".join(head) + " |",
        "|---|---|" + "---|" * (3 * len(records)),
    ]
    for fault in FAULTS:
        cells = []
        for places in records.values():
            one = rates.found(fault, places, trials, TRIALS_SEED)
            cells += [
                f"{one.alone_own:.0f} ({one.alone_any:.0f})",
                f"{one.beside_own:.0f} ({one.beside_any:.0f})",
                "–" if math.isnan(one.minutes) else f"{one.minutes:.0f}",
            ]
        lines.append(f"| {fault.flag} | {fault.size} | " + " | ".join(cells) + " |")
    return "\n".join(lines)


def blocks() -> dict[str, str]:
    """Return every table by the name of its place in the page."""
    booth = rates.booth_month(BOOTH_SEED, DAYS)
    outdoors = rates.weather(WEATHER, MONTH, DAYS, 60.0)
    year = rates.weather(WEATHER, MONTH, 363.0, 3600.0)
    shop, out = (
        rates.sensors_of(booth, SENSORS_SEED, 4),
        rates.sensors_of(outdoors, SENSORS_SEED, 12),
    )
    quiet = rates.sensors_of(booth, SENSORS_SEED, 4, (QUIET, QUIET, QUIET))
    alarms = {
        "shop": shop,
        "shop, three quiet sensors": quiet,
        "weather each minute": out,
        "weather each hour": rates.sensors_of(year, SENSORS_SEED),
    }
    from_s = outdoors["outdoors"].time_s[0]
    days = [[rates.between(told, from_s, from_s + LIVE_S) for told in place] for place in out[:3]]
    from_s = booth["booth"].time_s[0]
    days += [
        [rates.between(told, from_s, from_s + LIVE_S) for told in place] for place in shop[::4]
    ]
    return {
        "limits": limits_table(),
        "alarms": alarms_table(alarms, {"both, at the instant": days}),
        "faults": faults_table({"shop": shop, "weather": out}),
    }


def main() -> None:
    """Print the tables, or write them into the page."""
    made = blocks()
    if sys.argv[1:] != ["--write"]:
        print("\n\n".join(made.values()))
        return
    page = PAGE.read_text(encoding="utf-8")
    for name, table in made.items():
        block = re.compile(rf"(<!-- {name} -->\n).*?(<!-- /{name} -->)", re.DOTALL)
        page, count = block.subn(lambda found, table=table: f"{found[1]}{table}\n{found[2]}", page)
        if count != 1:
            raise SystemExit(f"{PAGE.name}: no place for the table {name!r}")
    PAGE.write_text(page, encoding="utf-8")


if __name__ == "__main__":
    main()
