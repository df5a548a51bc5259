"""What the workers of an installation tell each other: PostgreSQL's LISTEN and NOTIFY.

What is told within a transaction is heard when, and only if, it commits, and by every worker that
listens; so a worker that dies right after its commit has told the others all the same. Messages are
hints, as on the live stream: who hears one looks for itself. Whoever was cut off for a while is
told so, and looks at everything.
"""

from __future__ import annotations

import base64
import json
import logging
import secrets
import threading
from collections import OrderedDict
from collections.abc import Callable
from typing import Any

from sqlalchemy import make_url
from sqlmodel import Session

from service.store.passes import mac

__all__ = [
    "EVERYTHING",
    "RECIPES",
    "RECORDED",
    "SEAL",
    "SETTINGS",
    "SETTLED",
    "SHARED",
    "NoWire",
    "Seal",
    "Wire",
    "announce",
    "plain_address",
]

CHANNEL = "boothglass"
SEAL = "boothglass_seal"
"""Where a session carries what seals that it tells."""

SHARED = "boothglass_shared"
"""Where a session carries the word of its shop, if other workers serve that shop too."""

RECORDED, SETTLED = "recorded", "settled"
SETTINGS, RECIPES = "settings", "recipes"
EVERYTHING = "everything"
"""Something that was too long to be told."""

KEEPALIVE: dict[str, Any] = {
    "keepalives_idle": 5,
    "keepalives_interval": 2,
    "keepalives_count": 3,
    "tcp_user_timeout": 11_000,  # ms; keep-alives are not sent while an answer is waited for
}
"""After some ten seconds without an answer a connection is taken as lost."""

MOST_BYTES = 5800
"""PostgreSQL takes less than 8000 (its documentation, NOTIFY); sealed it is a third more."""

MOST_WAITING = 2000
RETRY_FIRST_S, RETRY_MOST_S = 0.5, 10.0
TURN_S = 1.0

log = logging.getLogger(__name__)

Hear = Callable[[str, str, dict[str, Any]], None]


class Seal:
    """Seals what workers of many shops tell each other, so that they alone read and say it.

    Whoever can run a statement in one shop's session may listen to the channel, and speak there.

    Parameters
    ----------
    secret : bytes
        The secret of the installation's shops.
    """

    LIVES_S = 120
    """A message that is older was said again by somebody else; clocks may differ by a minute."""

    def __init__(self, secret: bytes) -> None:
        from cryptography.fernet import Fernet

        key = bytes.fromhex(mac(secret, "wire"))
        self._fernet = Fernet(base64.urlsafe_b64encode(key))

    def close(self, said: str) -> str:
        """Seal a message."""
        return self._fernet.encrypt(said.encode()).decode()

    def open(self, told: str) -> str | None:
        """Return a message; None where nobody of ours has sealed it, or long ago."""
        from cryptography.fernet import InvalidToken

        try:
            return self._fernet.decrypt(told.encode(), ttl=self.LIVES_S).decode()
        except InvalidToken:
            return None


def announce(session: Session, event: str, **data: Any) -> None:
    """Tell the other workers, with this transaction; nothing where there are none.

    The worker that tells hears it as well.
    """
    shop = session.info.get(SHARED)
    if shop is not None:
        said = _sealed(session.info.get(SEAL), _text("", shop, event, data))
        session.connection().exec_driver_sql("SELECT pg_notify(%s, %s)", (CHANNEL, said))


def plain_address(url: str) -> str:
    """Return a database's address as its own client library takes it."""
    return make_url(url).set(drivername="postgresql").render_as_string(hide_password=False)


class Wire:
    """Hears what other workers tell, and tells them; a thread for each.

    Parameters
    ----------
    url : str
        The PostgreSQL database that the workers share.
    hear : callable
        Told shop, event and data, by the listening thread; what this worker tells by :meth:`tell`
        is left out.
    gap : callable
        Told when it listens (again): whatever was told before that was not heard.
    seal : Seal, optional
        By which messages are sealed; unset: they are plain, as those of one shop may be.
    """

    def __init__(
        self, url: str, hear: Hear, gap: Callable[[], None], seal: Seal | None = None
    ) -> None:
        self._seal = seal
        self.problem: str | None = "not listening yet"
        self._address, self._hear, self._gap = plain_address(url), hear, gap
        self._me = secrets.token_hex(6)
        self._lock = threading.Condition()
        self._waiting: OrderedDict[str, None] = OrderedDict()
        self._stopping = threading.Event()
        self._threads = [
            threading.Thread(target=self._keep_up, args=(work,), name=f"wire-{name}", daemon=True)
            for name, work in (("in", self._listen), ("out", self._send))
        ]

    @property
    def hears(self) -> bool:
        """Whether what is told in transactions is heard here."""
        return self.problem is None

    def start(self) -> None:
        """Begin in the background; an absent server is tried again for ever."""
        for thread in self._threads:
            thread.start()

    def stop(self) -> None:
        """Send what waits, and end."""
        self._stopping.set()
        with self._lock:
            self._lock.notify_all()
        for thread in self._threads:
            if thread.is_alive():
                thread.join(timeout=10)

    def tell(self, shop: str, event: str, data: dict[str, Any]) -> None:
        """Tell the others soon; never waits. The same said twice before it is sent is sent once."""
        with self._lock:
            self._waiting[_text(self._me, shop, event, data)] = None
            while len(self._waiting) > MOST_WAITING:
                self._waiting.popitem(last=False)
            self._lock.notify_all()

    # -- threads ---------------------------------------------------------------------------

    def _keep_up(self, work: Callable[[], None]) -> None:
        delay_s = RETRY_FIRST_S
        while not self._stopping.is_set():
            try:
                work()
                delay_s = RETRY_FIRST_S
            except Exception as error:  # noqa: BLE001 -- kept as a problem, and tried again
                if work == self._listen:
                    if self.problem is None:
                        delay_s = RETRY_FIRST_S
                    self.problem = f"{type(error).__name__}: {error}"
                log.warning("the wire between workers is down: %s", error)
                self._stopping.wait(delay_s)
                delay_s = min(2 * delay_s, RETRY_MOST_S)

    def _listen(self) -> None:
        import psycopg

        with psycopg.connect(self._address, autocommit=True, **KEEPALIVE) as connection:
            connection.execute(f"LISTEN {CHANNEL}")
            self.problem = None
            self._gap()
            while not self._stopping.is_set():
                for told in connection.notifies(timeout=TURN_S):
                    self._take(told.payload)

    def _take(self, payload: str) -> None:
        plain = payload if self._seal is None else self._seal.open(payload)
        if plain is None:
            log.debug("something was heard on the wire that no worker of ours has said")
            return
        try:
            told = json.loads(plain)
            if told["by"] != self._me:
                self._hear(told["shop"], told["event"], told["data"])
        except Exception:
            # Anybody who may write to the database may say anything here.
            log.exception("what was heard on the wire could not be used")

    def _send(self) -> None:
        import psycopg

        with psycopg.connect(self._address, autocommit=True, **KEEPALIVE) as connection:
            while (said := self._next()) is not None:
                try:
                    sealed = _sealed(self._seal, said)
                    connection.execute("SELECT pg_notify(%s, %s)", (CHANNEL, sealed))
                except psycopg.Error:
                    with self._lock:
                        self._waiting[said] = None
                        self._waiting.move_to_end(said, last=False)
                    raise

    def _next(self) -> str | None:
        """Wait for something to tell; None at the end."""
        with self._lock:
            while not self._waiting:
                if self._stopping.is_set():
                    return None
                self._lock.wait(TURN_S)
            return self._waiting.popitem(last=False)[0]


class NoWire:
    """Where there is nobody else."""

    problem: str | None = None
    hears = False

    def start(self) -> None:
        """Do nothing."""

    def stop(self) -> None:
        """Do nothing."""

    def tell(self, shop: str, event: str, data: dict[str, Any]) -> None:
        """Tell nobody."""


def _sealed(seal: Seal | None, said: str) -> str:
    return said if seal is None else seal.close(said)


def _text(by: str, shop: str, event: str, data: dict[str, Any]) -> str:
    said = json.dumps({"by": by, "shop": shop, "event": event, "data": data}, sort_keys=True)
    if len(said.encode()) <= MOST_BYTES:
        return said
    return _text(by, shop, EVERYTHING, {})
