"""Which database a shop has, and which shops a host: told by the settings of an installation."""

from __future__ import annotations

from pathlib import Path

from service.store.db import Database, database_url
from service.store.shops import Shops
from service.store.shops_in_folders import ShopsInFolders
from service.store.shops_on_server import ShopsOnServer

__all__ = ["database_of", "shops_of"]


def shops_of(data: Path, url: str | None, secret: str | None) -> Shops:
    """Return the shops of a host: those of its PostgreSQL database, else those in its folder.

    Parameters
    ----------
    data : Path
        The host's data folder.
    url, secret : str, optional
        Address of the database, with the role that hosts, and ``BOOTHGLASS_SHOPS_SECRET``.
    """
    return ShopsInFolders(data) if url is None else ShopsOnServer(url, secret, data)


def database_of(data: Path, url: str | None, shop: str | None, secret: str | None) -> Database:
    """Return the database of one shop: of that key among many on a server, else the only one.

    ``data`` is the shop's own data folder.
    """
    if url is None or shop is None:
        return Database(database_url(data, url))
    return ShopsOnServer(url, secret, data).alone(shop)
