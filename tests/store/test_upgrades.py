"""Every version that there was reaches this one with its data, on SQLite and on PostgreSQL.

What each version may hold was written down when it was the newest (``earlier/make.py``); for one
that is not written down yet, rows are made up.
"""

from __future__ import annotations

import json
import os
import subprocess
import sys
from pathlib import Path
from typing import Any

import anyrows
import databases
import pytest
import sqlalchemy as sa
from alembic.autogenerate import compare_metadata
from alembic.runtime.migration import MigrationContext
from alembic.script import ScriptDirectory

from service.store.db import Database, DatabaseError, alembic_config, migrate, remade, sqlite_url

pytestmark = databases.names_its_own

Rows = dict[str, list[dict[str, Any]]]

KEPT = Path(__file__).with_name("earlier")
SCRIPT = ScriptDirectory.from_config(alembic_config("sqlite://"))
VERSIONS = sorted(revision.revision for revision in SCRIPT.walk_revisions())

CHANGED = {
    # Readings are kept as sent, in whole parts, since 0002; what comes of them is asked below.
    ("reading", "raw_air_c"), ("reading", "raw_rh_pct"), ("reading", "surface_c"),
    ("reading", "pressure_pa"), ("reading", "received_at"), ("reading", "air_c"),
    ("reading", "rh_pct"),
}  # fmt: skip
"""Columns whose values a migration changes, or does away with."""


def written_down(schema: str) -> Rows | None:
    file = KEPT / f"{schema}.json"
    if not file.exists():
        return None
    rows: Rows = json.loads(file.read_text(encoding="utf-8"))
    for table in rows.values():
        for row in table:
            for name, value in row.items():
                if isinstance(value, dict) and value.keys() == {"hex"}:
                    row[name] = bytes.fromhex(value["hex"])
    return rows


def as_it_was(url: str, schema: str) -> Rows:
    with remade(url) as connection:
        migrate(connection, schema)
        kept = written_down(schema)
        if kept is None:
            return anyrows.fill(connection)
        anyrows.insert(connection, kept)
        return kept


@pytest.mark.parametrize("kind", ["sqlite", "postgresql"])
@pytest.mark.parametrize("schema", VERSIONS)
def test_every_version_reaches_this_one_with_its_data(
    tmp_path: Path, schema: str, kind: str
) -> None:
    url = sqlite_url(tmp_path) if kind == "sqlite" else databases.on_server(f"from_{schema}")
    before = as_it_was(url, schema)
    assert before
    assert all(before.values())
    database = Database(url)
    database.upgrade()
    with database.engine.connect() as connection:
        context = MigrationContext.configure(connection, opts={"compare_type": True})
        assert context.get_current_revision() == VERSIONS[-1]
        assert compare_metadata(context, databases.tables_of(connection)) == []
        after = anyrows.content(connection)
    database.dispose()
    for table, rows in before.items():
        changed = {name for name in rows[0] if (table, name) in CHANGED and schema < "0002"}
        for was, now in zip(rows, by_key(after[table], rows), strict=True):
            assert {n: now[n] for n in was if n not in changed} == {
                n: value for n, value in was.items() if n not in changed
            }, table
    if schema < "0002":
        assert readings(after) == readings_of_the_first(before)


def by_key(rows: list[dict[str, Any]], like: list[dict[str, Any]]) -> list[dict[str, Any]]:
    """Rows in the order of others: those of equal first columns belong together."""
    key = "at" if "sensor_id" in like[0] and "at" in like[0] else next(iter(like[0]))
    found = {row[key]: row for row in rows}
    return [found[row[key]] for row in like]


def readings(after: Rows) -> list[tuple[float | None, ...]]:
    return [
        (r["at"], r["delay_ms"], r["raw_air_c"], r["raw_rh_pct"], r["surface_c"], r["pressure_pa"])
        for r in after["reading"]
    ]


def readings_of_the_first(before: Rows) -> list[tuple[float | None, ...]]:
    """What 0002 made of them: ten-thousandths of a kelvin and percent, tenths of a pascal."""
    return [
        (
            r["at"], r["received_at"] - r["at"], round(r["raw_air_c"] * 10_000),
            round(r["raw_rh_pct"] * 10_000), parts(r["surface_c"], 10_000),
            parts(r["pressure_pa"], 10),
        )
        for r in sorted(before["reading"], key=lambda r: (r["sensor_id"], r["at"]))
    ]  # fmt: skip


def parts(value: float | None, per_unit: int) -> int | None:
    return None if value is None else round(value * per_unit)


def test_names_of_flaws_that_were_changed_are_changed_in_the_record(tmp_path: Path) -> None:
    with remade(sqlite_url(tmp_path)) as connection:
        migrate(connection, "0005")
        kept = written_down("0005")
        assert kept is not None
        kept["flaw"][0]["kind"] = "open_seam"
        anyrows.insert(connection, kept)
        migrate(connection, "head")
        assert anyrows.content(connection)["flaw"][0]["kind"] == "open_seams"


@pytest.mark.parametrize("kind", ["sqlite", "postgresql"])
def test_a_newer_database_is_refused_clearly(tmp_path: Path, kind: str) -> None:
    url = sqlite_url(tmp_path) if kind == "sqlite" else databases.on_server("newer")
    database = Database(url)
    database.upgrade()
    with database.write() as session:
        session.connection().execute(sa.text("UPDATE alembic_version SET version_num = '9999'"))
    with pytest.raises(DatabaseError, match=r"newer version of Boothglass.*version 9999.*install"):
        database.upgrade()
    database.dispose()


@pytest.mark.real
def test_the_commands_refuse_it_too(tmp_path: Path) -> None:
    with remade(sqlite_url(tmp_path)) as connection:
        migrate(connection, "head")
        connection.execute(sa.text("UPDATE alembic_version SET version_num = '9999'"))
    for command in (["serve", "--port", "0"], ["export-shop", str(tmp_path / "x.zip")]):
        done = subprocess.run(
            [str(Path(sys.executable).with_name("boothglass")), *command],
            env=os.environ | {"BOOTHGLASS_DATA": str(tmp_path)},
            capture_output=True,
            text=True,
            check=False,
        )
        assert done.returncode == 2
        assert "newer version of Boothglass" in done.stderr
        assert not list(tmp_path.glob("*.zip*"))
