"""``boothglass shops``: who owns an installation adds and closes shops, wherever they lie."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path
from typing import Any

import anyrows
import databases
import pytest
import sqlalchemy as sa
from click.testing import Result
from typer.testing import CliRunner

from service.cli import cli
from service.store.db import Database, migrate, remade, sqlite_url
from service.store.hosting import shops_of
from service.store.shops_on_server import ShopsOnServer

Run = Callable[..., Result]


@pytest.fixture
def run(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Run:
    """Run a command with these settings besides the data folder."""

    def invoke(*arguments: str, **settings: str) -> Result:
        with monkeypatch.context() as patch:
            for name, value in {"DATA": str(tmp_path / "host"), **settings}.items():
                patch.setenv(f"BOOTHGLASS_{name}", value)
            return CliRunner().invoke(cli, list(arguments))

    return invoke


def ok(result: Result) -> str:
    assert result.exit_code == 0, result.output
    return result.output


def refused(result: Result) -> str:
    assert result.exit_code == 2, result.output
    return result.output


@pytest.fixture
def shop_file(tmp_path: Path, run: Run) -> Path:
    """A file of a whole shop on SQLite, with something in every table."""
    folder = tmp_path / "before"
    folder.mkdir()
    with remade(sqlite_url(folder)) as connection:
        migrate(connection, "head")
        anyrows.fill(connection)
    (folder / "materials").mkdir()
    (folder / "materials" / "ours.yaml").write_text("id: ours\n")
    file = tmp_path / "shop.zip"
    ok(run("export-shop", str(file), "--secrets", DATA=str(folder)))
    return file


def content(database: Database) -> dict[str, list[dict[str, Any]]]:
    with database.read() as session:
        return anyrows.content(session.connection())


def test_shops_in_folders(run: Run, shop_file: Path, tmp_path: Path) -> None:
    assert "owner-link" in ok(run("shops", "add", "north", "--name", "Nørth & Co"))
    ok(run("shops", "add", "south"))
    assert "is a shop north already" in refused(run("shops", "add", "north"))
    assert "small letters" in refused(run("shops", "add", "../up"))
    lines = ok(run("shops", "list")).splitlines()
    assert [line.split()[:3] for line in lines] == [["1", "north", "open"], ["2", "south", "open"]]
    assert lines[0].endswith("Nørth & Co")
    ok(run("import-shop", str(shop_file), SHOP="south"))
    assert (tmp_path / "host" / "shops" / "south" / "materials" / "ours.yaml").exists()
    shops = shops_of(tmp_path / "host", None, None)
    assert len(content(shops.open("south"))["reading"]) == anyrows.ROWS
    assert content(shops.open("north"))["reading"] == []
    shops.dispose()
    ok(run("shops", "close", "south"))
    assert "closed" in ok(run("shops", "list"))
    ok(run("shops", "reopen", "south"))
    ok(run("shops", "upgrade"))
    assert "no shop west" in refused(run("shops", "close", "west"))
    assert "no shop west" in refused(run("rebuild", SHOP="west"))
    assert "no role" in refused(run("shops", "let-host", "host"))


@pytest.fixture
def server() -> dict[str, str]:
    """An empty database, and what its owner and a host are told of it."""
    owner = databases.on_server("by_commands", "keeper")
    host = owner.replace("keeper@", "host@")
    return {"owner": owner, "host": host}


def test_shops_on_a_server(
    run: Run, server: dict[str, str], shop_file: Path, tmp_path: Path
) -> None:
    def owner(*arguments: str) -> Result:
        return run("shops", *arguments, DATABASE_URL=server["owner"])

    assert "boothglass shops upgrade" in refused(owner("add", "north"))
    ok(owner("upgrade"))
    said = ok(owner("let-host", "host"))
    secret = said.partition("BOOTHGLASS_SHOPS_SECRET=")[2].split()[0]
    assert "no role nobody" in refused(owner("let-host", "nobody"))
    ok(owner("add", "north", "--name", "North"))
    ok(owner("add", "south"))
    assert "is a shop south already" in refused(owner("add", "south"))
    assert [line.split()[1] for line in ok(owner("list")).splitlines()] == ["north", "south"]

    hosted = {"DATABASE_URL": server["host"], "SHOPS_SECRET": secret}
    for shop in ("north", "south"):
        ok(run("import-shop", str(shop_file), SHOP=shop, **hosted))
    again = refused(run("import-shop", str(shop_file), SHOP="south", **hosted))
    assert "kept in this shop already" in again
    assert "holds several shops" in refused(run("import-shop", str(shop_file), **hosted))
    assert "holds several shops" in refused(run("rebuild", DATABASE_URL=server["owner"]))
    assert "SHOPS_SECRET is not that" in refused(
        run("rebuild", SHOP="south", **hosted | {"SHOPS_SECRET": "00"})
    )
    assert "owner makes it" in refused(run("backup", str(tmp_path), SHOP="south", **hosted))

    shops = ShopsOnServer(server["host"], secret, tmp_path / "host")
    north, south = content(shops.open("north")), content(shops.open("south"))
    assert north == south
    with shops.open("south").write() as session:  # numbers go on where those of the file end
        asked = sa.text(
            "INSERT INTO reject (received_at, topic, size_bytes, payload, field, reason)"
            " VALUES (0, '', 0, '', '', '') RETURNING id"
        )
        assert session.connection().execute(asked).scalar() == 9
    assert content(shops.open("north")) == north
    link = ok(run("owner-link", SHOP="south", SHOPS_DOMAIN="shops.example", **hosted))
    assert "http://south.shops.example:8317/welcome/" in link

    out = tmp_path / "out.zip"
    ok(run("export-shop", str(out), "--secrets", SHOP="north", **hosted))
    ok(owner("close", "south"))
    assert "closed" in refused(run("export-shop", str(out), SHOP="south", **hosted))
    after = {"DATA": str(tmp_path / "after")}
    ok(run("import-shop", str(out), **after))
    made = Database(sqlite_url(tmp_path / "after"))
    assert content(made) == north
    made.dispose()
    shops.dispose()

    renewed = ok(owner("renew-secret")).partition("BOOTHGLASS_SHOPS_SECRET=")[2].split()[0]
    assert "SHOPS_SECRET is not that" in refused(run("rebuild", SHOP="north", **hosted))
    ok(run("owner-link", SHOP="north", **hosted | {"SHOPS_SECRET": renewed}))


def test_the_service_itself_is_told_of_all(run: Run) -> None:
    assert "BOOTHGLASS_SHOPS_DOMAIN" in refused(run("serve", SHOP="north"))
