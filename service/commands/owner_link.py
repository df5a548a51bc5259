"""``boothglass owner-link``: a way in that always works, for whoever may run it on the machine."""

from __future__ import annotations

import sys

import segno

from service.address import public_url
from service.clock import WallClock
from service.commands.common import fail, shop_database, shop_settings
from service.store.db import Database
from service.store.facts import Facts
from service.store.one_time_links import OneTimeLinks

__all__ = ["new_link", "remember_address", "run", "show"]

FACT = "pages_at"
"""Where the service that ran last had its pages: its port may have been given to it alone."""


def run() -> None:
    """Make a link that lets an owner in once, and show it."""
    settings = shop_settings()
    if settings.sign_in == "off":
        fail("BOOTHGLASS_SIGN_IN: is off, so nobody has to sign in")
    with shop_database(settings) as database:
        kept = Facts(database).get(FACT) or {}
        base = public_url(settings) if settings.public_url else str(kept.get("url", ""))
        show(new_link(database, base or public_url(settings)))
    print("It works once, within a day, and ends every link of this kind that was made before.")


def new_link(database: Database, base: str) -> str:
    """Make a link that lets an owner in once; return its address."""
    return (
        f"{base.rstrip('/')}/welcome/{OneTimeLinks(database, WallClock()).make('owner', 'owner')}"
    )


def remember_address(database: Database, url: str) -> None:
    """Keep where the pages are, for a command that is run beside the service."""
    Facts(database).update(FACT, lambda _: {"url": url})


def show(link: str) -> None:
    """Print a link, and as a code to scan."""
    print(f"The owner comes in here: {link}")
    segno.make(link, micro=False).terminal(out=sys.stdout, compact=True)
    sys.stdout.flush()
