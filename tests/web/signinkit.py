"""A shop where people sign in, and browsers' stand-ins that are signed in as whom a test wants."""

from __future__ import annotations

from collections.abc import Iterator
from contextlib import contextmanager
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

import httpx
from argon2 import PasswordHasher
from equipment import SetClock
from shopkit import LiveShop

from service.web.signin.cookies import SESSION
from service.web.signin.passwords import Passwords

OWNER, FINISHER, GUEST = "Ada", "Ben", "Cleo"
PASSWORD = "seven thin coats"

QUICK = PasswordHasher(time_cost=1, memory_cost=8, parallelism=1)
"""Figures of no worth outside of tests, where a hundred sign-ins must not take minutes."""


class GuardedShop(LiveShop):
    """A served shop with sign-in on, and an owner's link to begin with."""

    def __init__(self, folder: Path, **settings: Any) -> None:
        self.real = SetClock(datetime(2026, 3, 2, 9, 0, tzinfo=UTC))
        super().__init__(folder, real_clock=self.real, **{"sign_in": "on", **settings})
        self.doors = self.app.state.shop.doors
        self.doors.passwords = Passwords(QUICK)
        self.browsers: list[httpx.Client] = []

    def close(self) -> None:
        """Stop everything."""
        for browser in self.browsers:
            browser.close()
        super().close()

    def browser(self, **headers: str) -> httpx.Client:
        """A browser that nobody has signed in with yet; it says where its forms come from."""
        made = httpx.Client(
            base_url=self.url,
            timeout=20,
            headers={"accept": "text/html", "origin": self.url, **headers},
        )
        self.browsers.append(made)
        return made

    def owner(self) -> httpx.Client:
        """The owner's browser, in by the first link."""
        browser = self.browser()
        secret = self.doors.links.make("owner", "owner")
        answer = browser.post(f"/welcome/{secret}", data={"name": OWNER, "password": PASSWORD})
        assert answer.status_code == 303, answer.text
        return browser

    def invited(self, name: str, role: str) -> httpx.Client:
        """The browser of somebody who was invited and set a password."""
        known = {row.name: row.id for row in self.people.people()}
        person_id = known.get(name) or self.people.add(name).id
        browser = self.browser()
        secret = self.doors.links.make("invite", role, person_id)
        answer = browser.post(f"/welcome/{secret}", data={"password": PASSWORD})
        assert answer.status_code == 303, answer.text
        return browser

    def program(self, scope: str, days: int | None = None) -> httpx.Client:
        """A program with a token; it says nothing of where it comes from."""
        token = self.doors.tokens.make(f"a program that may {scope}", scope, days, None)
        made = httpx.Client(
            base_url=self.url, timeout=20, headers={"authorization": f"Bearer {token}"}
        )
        self.browsers.append(made)
        return made

    def wall(self) -> httpx.Client:
        """The browser of a wall screen."""
        browser = self.browser()
        answer = browser.post(f"/welcome/{self.doors.links.make('wall')}")
        assert answer.status_code == 303, answer.text
        return browser


def session_of(browser: httpx.Client) -> str:
    """The token that a browser keeps."""
    return str(browser.cookies[SESSION])


@contextmanager
def guarded_shop(folder: Path, **settings: Any) -> Iterator[GuardedShop]:
    """Serve a shop with sign-in on for as long as the block lasts."""
    shop = GuardedShop(folder, **settings)
    try:
        yield shop
    finally:
        shop.close()
