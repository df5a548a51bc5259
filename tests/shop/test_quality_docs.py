"""The page on the quality of readings promises what a small run of its script keeps."""

from __future__ import annotations

import importlib
import math
import re
import sys
from pathlib import Path
from types import ModuleType

import pytest

from sensors.faults import FAULTS, Fault
from sensors.told import Told
from service.shop.quality import NAMES, Flag

ROOT = Path(__file__).resolve().parents[2]
PAGE = (ROOT / "dashboards" / "docs" / "quality.md").read_text(encoding="utf-8")
TRIALS = 10
SEED = 77  # none of the tables'


@pytest.fixture(scope="module")
def table() -> ModuleType:
    """The script that makes the tables."""
    sys.path.insert(0, str(ROOT / "deploy"))
    try:
        return importlib.import_module("quality_table")
    finally:
        sys.path.pop(0)


@pytest.fixture(scope="module")
def records(table: ModuleType) -> dict[str, list[list[Told]]]:
    """Some days of the same shop behind other weather, and a week of another station's."""
    rates = table.rates
    shop = rates.sensors_of(rates.booth_month(SEED, 2.6), SEED, 2)
    weather = rates.weather("pvlib:12839.tm2", 3, 8.0, 60.0)
    return {"shop": shop, "weather": rates.sensors_of(weather, SEED, 4)}


def block(name: str) -> str:
    found = re.search(rf"<!-- {name} -->\n(.*?)\n<!-- /{name} -->", PAGE, re.DOTALL)
    assert found is not None
    return found[1]


def rows(name: str) -> list[list[str]]:
    return [
        [cell.strip() for cell in line.strip("| ").split("|")] for line in block(name).splitlines()
    ]


def test_every_limit_is_in_the_page_as_it_is_set(table: ModuleType) -> None:
    assert block("limits") == table.limits_table()


def test_every_flag_is_explained() -> None:
    explained = re.findall(r"^\| (\w+) \| ", PAGE.split("## How well")[0], re.MULTILINE)
    assert explained[1:] == list(NAMES.values())


def test_every_judged_flag_and_every_fault_has_its_row() -> None:
    judged = [name for flag, name in NAMES.items() if flag is not Flag.AWAY]
    assert [row[0] for row in rows("alarms")[2:]] == judged
    assert [row[:2] for row in rows("faults")[2:]] == [[f.flag, f.size] for f in FAULTS]
    assert {fault.flag for fault in FAULTS} == set(judged)


def test_each_flag_finds_its_plain_fault() -> None:
    """Nothing is kept in the table that finds nothing."""
    best = dict.fromkeys({fault.flag for fault in FAULTS}, 0)
    for flag, _, _, beside, *_ in rows("faults")[2:]:
        best[flag] = max(best[flag], int(beside.split()[0]))
    assert min(best.values()) >= 90


@pytest.mark.slow
@pytest.mark.parametrize("record", ["shop", "weather"])
@pytest.mark.parametrize("fault", FAULTS, ids=lambda fault: f"{fault.flag}: {fault.size}")
def test_faults_are_found_as_often_as_promised(
    fault: Fault, record: str, table: ModuleType, records: dict[str, list[list[Told]]]
) -> None:
    """But for chance, three standard deviations of both counts, and a tenth for other weather."""
    row = next(row for row in rows("faults") if row[:2] == [fault.flag, fault.size])
    alone, beside = row[2:4] if record == "shop" else row[5:7]
    got = table.rates.found(fault, records[record], TRIALS, SEED)
    for promised, own, any_ in ((alone, got.alone_own, got.alone_any),
                                (beside, got.beside_own, got.beside_any)):  # fmt: skip
        for share, found in zip(map(int, re.findall(r"\d+", promised)), (own, any_), strict=True):
            likely = min(max(share / 100.0, 0.02), 0.98)
            chance = math.sqrt(likely * (1.0 - likely) * (1.0 / TRIALS + 1.0 / table.TRIALS))
            assert found / 100.0 >= share / 100.0 - 3.0 * chance - 0.1


@pytest.mark.slow
@pytest.mark.parametrize(("record", "column"), [("shop", 1), ("weather", 3)])
def test_sound_sensors_cry_as_seldom_as_promised(
    record: str, column: int, table: ModuleType, records: dict[str, list[list[Told]]]
) -> None:
    """But for chance, three standard deviations of Poisson's, and two alarms for other weather."""
    days = table.rates.sensor_days(records[record])
    promised = {row[0]: float(row[column].split()[0]) for row in rows("alarms")[2:]}
    for alarms in table.rates.false_alarms(records[record]):
        expected = promised[alarms.flag] * days
        assert alarms.a_day * days <= expected + 3.0 * math.sqrt(expected) + 2.0, alarms
