"""What challenges are signed with and which were taken: the same for all workers of a shop."""

from __future__ import annotations

import secrets
from datetime import datetime, timedelta

from service.clock import Clock
from service.store.db import Database
from service.store.facts import Facts

__all__ = ["ChallengeBook"]

KEY, TAKEN = "challenge key", "challenges taken"


class ChallengeBook:
    """Keeps the key for good, and each challenge that was taken for as long as it would be good.

    Parameters
    ----------
    clock : Clock
        The machine's real time.
    """

    def __init__(self, db: Database, clock: Clock) -> None:
        self.clock = clock
        self._facts = Facts(db)

    def key(self) -> bytes:
        """Return the key; it is made when first asked for."""
        kept = self._facts.once(KEY, lambda: {"key": secrets.token_hex(32)})
        return bytes.fromhex(kept["key"])

    def take(self, name: str, until: datetime) -> bool:
        """Note that a challenge was taken; whether nobody had taken it before."""
        first = False

        def noted(there: dict[str, str] | None) -> dict[str, str]:
            nonlocal first
            now = self.clock.now() - timedelta(seconds=1)
            good = {k: at for k, at in (there or {}).items() if datetime.fromisoformat(at) > now}
            first = name not in good
            return good | {name: until.isoformat()}

        self._facts.update(TAKEN, noted)
        return first
