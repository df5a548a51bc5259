"""Timed work: look at what is due, write it once, send it out.

The timer only wakes; what is due follows from the record and the clock, so a missed or doubled
wake-up loses and repeats nothing, and there is no schedule of jobs to survive a restart.
"""

from __future__ import annotations

import logging
import threading
import time
from collections.abc import Callable
from datetime import UTC, datetime

from apscheduler.executors.pool import ThreadPoolExecutor
from apscheduler.schedulers.background import BackgroundScheduler

from service.clock import Clock

__all__ = ["Jobs"]

log = logging.getLogger(__name__)


class Jobs:
    """Runs :meth:`look` every few real seconds, and on request.

    Parameters
    ----------
    look : callable
        Writes what is due and sends it out.
    tick_s : float
        Real seconds between looks.
    longer_work : callable
        Something that may take seconds, done as often in a thread of its own.
    post : callable
        Sends messages to people; others may be slow to take them, so in a thread of its own, too.
    """

    def __init__(
        self,
        look: Callable[[], object],
        clock: Clock,
        *,
        tick_s: float,
        longer_work: Callable[[], object] = lambda: None,
        post: Callable[[], object] = lambda: None,
    ) -> None:
        self._look, self._clock = look, clock
        self._longer_work, self._post = longer_work, post
        self._one_at_a_time = threading.Lock()
        self._scheduler = BackgroundScheduler(
            executors={name: ThreadPoolExecutor(1) for name in ("default", "longer", "post")},
            job_defaults={"coalesce": True, "max_instances": 1, "misfire_grace_time": None},
            timezone="UTC",
        )
        self._scheduler.add_job(self.look, "interval", seconds=tick_s, id="look")
        self._scheduler.add_job(
            self.work_longer, "interval", seconds=tick_s, id="longer", executor="longer"
        )
        self._scheduler.add_job(
            self.send_post, "interval", seconds=tick_s, id="post", executor="post"
        )
        self.last_look_at: datetime | None = None
        self._looked = time.monotonic()
        self.last_error: str | None = None
        self.longer_error: str | None = None
        self.post_error: str | None = None

    def start(self) -> None:
        """Start the timer."""
        # A look that outlasts a tick is no trouble: the next one sees what it left.
        logging.getLogger("apscheduler").setLevel(logging.ERROR)
        self._scheduler.start()

    def stop(self) -> None:
        """Stop the timer and wait for a look under way."""
        self._scheduler.pause()  # or it would go on to wake what is ending
        self._scheduler.shutdown(wait=True)

    def hasten(self) -> None:
        """Do the longer work at once instead of at the next tick."""
        self._scheduler.modify_job("longer", next_run_time=datetime.now(UTC))

    @property
    def look_age_s(self) -> float:
        """Real seconds since the last look that went well, or since this was made."""
        return time.monotonic() - self._looked

    def work_longer(self) -> None:
        """Do the longer work once; an error is kept and tried again at the next tick."""
        try:
            self._longer_work()
        except Exception as error:
            self.longer_error = f"{type(error).__name__}: {error}"
            log.exception("longer work failed")
        else:
            self.longer_error = None

    def send_post(self) -> None:
        """Send what is due to people; an error is kept and tried again at the next tick."""
        try:
            self._post()
        except Exception as error:
            self.post_error = f"{type(error).__name__}: {error}"
            log.exception("sending failed")
        else:
            self.post_error = None

    def look(self) -> None:
        """Look once; an error is kept for the health page and tried again at the next tick."""
        with self._one_at_a_time:
            try:
                self._look()
            except Exception as error:
                self.last_error = f"{type(error).__name__}: {error}"
                log.exception("look failed")
            else:
                self.last_error = None
                self.last_look_at = self._clock.now()
                self._looked = time.monotonic()
