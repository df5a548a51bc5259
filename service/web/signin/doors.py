"""Everything that sign-in is made of, gathered once, and who a request comes from."""

from __future__ import annotations

import logging
import time
from datetime import timedelta
from threading import Lock

from starlette.requests import HTTPConnection

from service.clock import Clock
from service.store.accounts import Accounts
from service.store.api_tokens import ApiTokens
from service.store.audit_book import AuditBook
from service.store.challenge_book import ChallengeBook
from service.store.db import Database
from service.store.one_time_links import OneTimeLinks
from service.store.passkey_book import PasskeyBook
from service.store.secrets_hashed import digest
from service.store.sessions import Device, Sessions
from service.store.throttle import Throttle
from service.web.signin.caller import NOBODY, Caller
from service.web.signin.challenges import Challenges
from service.web.signin.cookies import SESSION
from service.web.signin.passwords import Passwords
from service.web.signin.rights import Rights
from service.web.signin.whence import is_unsaid

__all__ = ["Doors", "device_of"]

log = logging.getLogger(__name__)

REMEMBERED_S = 5.0
"""Real seconds that a caller is remembered for; another process may have ended the session."""

MOST_REMEMBERED = 500

LATELY = timedelta(minutes=10)
"""Whoever signed in so long ago at most may change ways in (see ``rights_table.AFRESH``)."""

UNSAID_FOR_S = 3600.0
"""Real seconds for which a proxy is complained of that does not say for whom it asks."""


class Doors:
    """Accounts, devices and links, and who comes in by them.

    Parameters
    ----------
    clock : Clock
        The machine's real time: a session lasts as long however fast the shop's clock is driven.
    shop_clock : Clock
        The shop's time, which the trail is kept in, as the rest of the record is.
    on : bool
        Whether anybody has to sign in at all.
    """

    def __init__(self, db: Database, clock: Clock, shop_clock: Clock, *, on: bool) -> None:
        self.on, self.clock = on, clock
        self.accounts = Accounts(db, clock)
        self.sessions = Sessions(db, clock)
        self.links = OneTimeLinks(db, clock)
        self.throttle = Throttle(db, clock)
        self.passkeys = PasskeyBook(db, clock)
        self.tokens = ApiTokens(db, clock)
        self.trail = AuditBook(db, shop_clock)
        self.passwords = Passwords()
        self.challenges = Challenges(ChallengeBook(db, clock))
        self.rights = Rights()
        self._unsaid_until = 0.0
        self._remembered: dict[str, tuple[Caller, float]] = {}
        self._changes = 0
        self._lock = Lock()

    def remembered(self, connection: HTTPConnection) -> Caller | None:
        """Return who asks without asking the database; None where it has to be asked."""
        secret = _secret(connection)
        if secret is None:
            return NOBODY
        with self._lock:
            caller, until = self._remembered.get(_key(connection, secret), (None, 0.0))
        return caller if time.monotonic() < until else None

    def caller(self, connection: HTTPConnection) -> Caller:
        """Find out who asks: by the token it sends, else by the device's cookie."""
        secret = _secret(connection)
        if secret is None:
            return NOBODY
        changes = self._changes
        by_token = _bearer(connection) is not None
        found = self._by_token(secret) if by_token else self._by_cookie(secret)
        with self._lock:
            if len(self._remembered) >= MOST_REMEMBERED:
                self._remembered.clear()
            if changes == self._changes:  # else it may be over already what was just found
                until = time.monotonic() + REMEMBERED_S
                self._remembered[_key(connection, secret)] = (found, until)
        return found

    def may(self, caller: Caller, method: str, path: str) -> bool:
        """Whether a caller may do something, so that a page need not offer what is refused."""
        return not self.on or self.rights.ask(caller, method, path) == "may"

    def signed_in_lately(self, caller: Caller) -> bool:
        """Whether a person signed in on this device lately, or has nothing to do so again with."""
        if caller.since is None or self.clock.now() < caller.since + LATELY:
            return True
        account = self.accounts.get(int(caller.account_id or 0))
        return not (account.password_hash or self.passkeys.of_account(int(account.id or 0)))

    def changed(self) -> None:
        """Forget who was who: an account, a device or a token has changed."""
        with self._lock:
            self._changes += 1
            self._remembered.clear()

    def watch_for_proxies(self, connection: HTTPConnection) -> None:
        """Note a request that came through a proxy which does not say for whom it asks."""
        if is_unsaid(connection):
            if not self.unsaid:
                log.warning("a proxy on this machine sends no X-Forwarded-For")
            self._unsaid_until = time.monotonic() + UNSAID_FOR_S

    @property
    def unsaid(self) -> bool:
        """Whether such a request came lately: then all visitors count as one."""
        return time.monotonic() < self._unsaid_until

    def still(self, connection: HTTPConnection, caller: Caller) -> bool:
        """Whether whoever asked a while ago would still be let in as the same."""
        return not self.on or (self.remembered(connection) or self.caller(connection)) == caller

    def _by_token(self, secret: str) -> Caller:
        row = self.tokens.find(secret)
        if row is None:
            return NOBODY
        try:
            self.tokens.used(row)
        except Exception:  # as with devices
            log.exception("cannot keep when a token was used")
        return Caller(f"token-{row.scope}", row.name, token_id=row.id)

    def _by_cookie(self, secret: str) -> Caller:
        device = self.sessions.find(secret)
        if device is None:
            return NOBODY
        try:
            self.sessions.seen(device)
        except Exception:  # whoever is signed in must get in although nothing can be written
            log.exception("cannot keep when a device was seen")
        return _caller(device)


def _caller(device: Device) -> Caller:
    if device.account is None or device.person is None:
        return Caller("wall", device.row.device, session_id=device.row.id)
    return Caller(
        device.account.role,
        device.person.name,
        account_id=device.account.id,
        person_id=device.person.id,
        session_id=device.row.id,
        since=device.row.made_at,
    )


def _bearer(connection: HTTPConnection) -> str | None:
    """Return the token of an ``Authorization: Bearer`` header (RFC 6750)."""
    kind, _, token = connection.headers.get("authorization", "").partition(" ")
    return token.strip() if kind.lower() == "bearer" else None


def _secret(connection: HTTPConnection) -> str | None:
    """Return what a caller shows: a program its token, and then no cookie counts."""
    token = _bearer(connection)
    return token if token is not None else connection.cookies.get(SESSION)


def _key(connection: HTTPConnection, secret: str) -> str:
    return ("token " if _bearer(connection) is not None else "cookie ") + digest(secret)


def device_of(connection: HTTPConnection) -> str:
    """Name a device by what its browser says of the system it runs on."""
    said = connection.headers.get("user-agent", "")
    inside = said.partition("(")[2].partition(")")[0]
    parts = [part.strip() for part in inside.split(";") if part.strip()]
    known = [part for part in parts if part not in {"X11", "Linux", "U", "compatible"}]
    return (" · ".join(known[:2]) or said.split("/")[0] or "?")[:80]
