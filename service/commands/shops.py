"""``boothglass shops``: who the shops of one installation are, in the hands of who owns it.

On PostgreSQL these want the address of the tables' owner in ``BOOTHGLASS_DATABASE_URL``; without
that setting each shop is a folder with a SQLite file.
"""

from __future__ import annotations

import sys
from collections.abc import Callable
from typing import Annotated, TypeVar

import typer

from service.clock import WallClock
from service.commands.common import fail, settings_of_all
from service.settings import Settings
from service.store.db import DatabaseError
from service.store.partitions import partition
from service.store.registry import Registry
from service.store.shops_in_folders import FolderRegistry

__all__ = ["app"]

app = typer.Typer(no_args_is_help=True, help="Many shops in one installation: add, list, close.")

T = TypeVar("T")
Key = Annotated[str, typer.Argument(help="The shop's word: small letters, digits and hyphens.")]


@app.command()
def upgrade() -> None:
    """Bring the tables of all shops up to this version; on PostgreSQL make them at first."""
    _do(lambda registry: registry.upgrade())
    print("The tables are of this version.")


@app.command("partition")
def put_into_parts() -> None:
    """Keep readings on PostgreSQL in a part for each year; nobody may use them meanwhile."""
    settings = settings_of_all()
    if settings.database_url is None:
        fail("BOOTHGLASS_DATABASE_URL: is not set; readings are put into parts on PostgreSQL only")
    try:
        first, last = partition(settings.database_url, WallClock().now())
    except DatabaseError as error:
        fail(str(error))
    print(f"Readings of {first} to {last} have a part for each year; later ones have one for all.")


@app.command()
def add(
    key: Key,
    name: Annotated[str, typer.Option(help="What the shop is called in lists.")] = "",
) -> None:
    """Add a shop; the first takes the place of the empty one that a database begins with."""
    _do(lambda registry: registry.add(key, name))
    print(f"{key} is there. Its first owner comes in by a link:")
    print(f"  BOOTHGLASS_SHOP={key} boothglass owner-link")


@app.command("list")
def list_shops() -> None:
    """List every shop."""
    for shop in _do(lambda registry: registry.listed()):
        closed = f"closed {shop.closed_at:%Y-%m-%d}" if shop.closed_at else "open"
        print(f"{shop.id:>4}  {shop.key:<40}  {closed:<17}  {shop.name}".rstrip())


@app.command()
def close(key: Key) -> None:
    """Let nobody into a shop any more; what it holds is kept."""
    _do(lambda registry: registry.close(key))
    print(f"{key} is closed; boothglass shops reopen {key} lets people in again.")


@app.command()
def reopen(key: Key) -> None:
    """Let people into a shop again."""
    _do(lambda registry: registry.reopen(key))
    print(f"{key} is open.")


@app.command()
def let_host(
    role: Annotated[str, typer.Argument(help="A role of PostgreSQL that serves the shops.")],
) -> None:
    """Let a role of PostgreSQL host the shops, and print the secret that it needs besides."""
    _tell_secret(_on_server().let_host, role)


@app.command()
def renew_secret() -> None:
    """Make that secret anew: who has the former one is let in no more."""
    _tell_secret(lambda _: _on_server().renew_secret(), "")


def _tell_secret(make: Callable[[str], bytes], role: str) -> None:
    try:
        secret = make(role)
    except DatabaseError as error:
        fail(str(error))
    print("Whoever has this line and the role's password enters every shop:", file=sys.stderr)
    print(f"BOOTHGLASS_SHOPS_SECRET={secret.hex()}")


def _do(what: Callable[[Registry | FolderRegistry], T]) -> T:
    settings = settings_of_all()
    in_folders = settings.database_url is None
    registry = FolderRegistry(settings.data, WallClock()) if in_folders else _on(settings)
    try:
        return what(registry)
    except DatabaseError as error:
        fail(str(error))


def _on_server() -> Registry:
    settings = settings_of_all()
    if settings.database_url is None:
        fail("BOOTHGLASS_DATABASE_URL: is not set; shops in folders need no role and no secret")
    return _on(settings)


def _on(settings: Settings) -> Registry:
    return Registry(str(settings.database_url), WallClock())
