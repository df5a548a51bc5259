"""Back-ups by schedule: once a day after a set hour, old ones dropped, the last one told."""

from __future__ import annotations

import logging
import tempfile
from dataclasses import dataclass
from datetime import UTC, datetime, time, timedelta, tzinfo
from pathlib import Path

from service.backup.archive import Contents, make
from service.backup.errors import BackupError
from service.backup.names import Keep, made_at, name_of, to_drop
from service.backup.sealing import check_recipient
from service.backup.stores import Folder, Store, store_of
from service.clock import Clock
from service.settings import Settings
from service.shop.said import say
from service.store.db import DatabaseError

__all__ = ["Keeper", "Made"]

AGAIN_AFTER = timedelta(minutes=30)
"""After a failure it is tried again no sooner."""

OVERDUE = timedelta(hours=36)

log = logging.getLogger(__name__)


@dataclass(frozen=True)
class Made:
    """A back-up that was made."""

    name: str
    contents: Contents
    dropped: tuple[str, ...]


class Keeper:
    """Makes back-ups of one data folder in one store.

    Which have been made is read from the store, so a restart neither forgets nor repeats one.

    Parameters
    ----------
    data, store : Path, Store
        What is backed up, and where to.
    daily_at, zone : time, tzinfo
        Hour of the shop's day after which that day's is due.
    keep : Keep
        Which ones stay.
    recipient : str or None
        age public key to encrypt to.
    database_url : str or None
        Address of the PostgreSQL database; None: the SQLite file in the data folder.
    """

    def __init__(
        self,
        data: Path,
        store: Store,
        clock: Clock,
        *,
        daily_at: time = time(3, 0),
        zone: tzinfo,
        keep: Keep | None = None,
        recipient: str | None = None,
        database_url: str | None = None,
    ) -> None:
        self._database_url = database_url
        self._data, self._store, self._clock = data, store, clock
        self._daily_at, self.zone = daily_at, zone
        self._keep, self._recipient = keep or Keep(), recipient
        self._last: datetime | None = None
        self._asked_store = False
        self._not_before: datetime | None = None
        self.problem: str | None = None

    @classmethod
    def of(cls, settings: Settings, to: str, clock: Clock, zone: tzinfo = UTC) -> Keeper:
        """Return the keeper that the settings ask for; raises BackupError where they cannot be."""
        if settings.backup_recipient is not None:
            check_recipient(settings.backup_recipient)
        days, weeks, months = map(int, settings.backup_keep.split(","))
        return cls(
            settings.data,
            store_of(to, settings.backup_endpoint),
            clock,
            daily_at=settings.backup_at,
            zone=zone,
            keep=Keep(days, weeks, months),
            recipient=settings.backup_recipient,
            database_url=settings.database_url,
        )

    def step(self) -> Made | None:
        """Make today's back-up if it is due; a failure is kept in ``problem`` and tried again."""
        now = self._clock.now()
        if self._not_before is not None and now < self._not_before:
            return None
        try:
            if not self._asked_store:
                self._last, self._asked_store = self._newest(), True
            if self._last is not None and self._last >= self._due_since(now):
                return None
            made = self.make_now()
        except (BackupError, DatabaseError, OSError) as error:
            self.problem, self._not_before = str(error), now + AGAIN_AFTER
            log.warning("back-up failed: %s", error)
            return None
        self.problem, self._not_before = None, None
        return made

    def make_now(self) -> Made:
        """Make a back-up, and drop those that need not be kept.

        Raises
        ------
        BackupError, DatabaseError, OSError
            Where it cannot be made; what lies in the store stays.
        """
        now = self._clock.now().replace(microsecond=0)
        name = name_of(now, encrypted=self._recipient is not None)
        inside = self._store.path if isinstance(self._store, Folder) else None
        with tempfile.TemporaryDirectory(prefix=".backup-", dir=self._data) as made:
            file = Path(made) / name
            contents = make(
                self._data,
                file,
                now,
                recipient=self._recipient,
                leave_out=inside,
                database_url=self._database_url,
            )
            self._store.put(file, name)
        self._last = now
        dropped = to_drop(self._store.names(), self._keep)
        for old in dropped:
            self._store.drop(old)
        return Made(name, contents, tuple(dropped))

    def worries(self) -> list[str]:
        """Say what is wrong with the back-ups, for the health page."""
        if self.problem is not None:
            return [say("back-up failed: {why}", why=self.problem)]
        if self._last is not None and self._clock.now() - self._last > OVERDUE:
            return [say("the last back-up is of {at:%Y-%m-%d %H:%M} UTC", at=self._last)]
        return []

    @property
    def last(self) -> datetime | None:
        """When the newest back-up was made; None before the store was asked."""
        return self._last

    def _newest(self) -> datetime | None:
        dates = [at for name in self._store.names() if (at := made_at(name)) is not None]
        return max(dates, default=None)

    def _due_since(self, now: datetime) -> datetime:
        """The last instant at which the clock on the wall passed the set hour."""
        local = now.astimezone(self.zone)
        due = datetime.combine(local.date(), self._daily_at, self.zone)
        if due > local:
            due = datetime.combine(local.date() - timedelta(days=1), self._daily_at, self.zone)
        return due
