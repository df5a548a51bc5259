"""How a running service is, and why: what ``/health`` answers and ``/metrics`` counts."""

from __future__ import annotations

import shutil
from collections.abc import Iterator
from dataclasses import dataclass, field
from datetime import datetime, timedelta
from typing import Any

from service.shop.said import say
from service.store.counting import WriteProbe, database_bytes, outgoing, unsettled_hours
from service.store.db import Database
from service.web.metrics import Figure

__all__ = ["Check", "Watch"]

DISK_LOW, DISK_FULL = 500_000_000, 50_000_000
"""Free bytes below which health complains, and fails (assumed)."""

LOOK_LATE_S = 120.0
"""Real seconds without a look at what is due, beyond some ticks, after which something hangs."""

SETTLING_LATE_S = 120.0
OUTLOOK_LATE = timedelta(hours=3)
"""An outlook is made anew every hour while readings come."""

WORSE = ("ok", "degraded", "failing")


@dataclass
class Check:
    """One thing that is looked at: its state, why it is not well, and figures."""

    name: str
    state: str = "ok"
    reasons: list[str] = field(default_factory=list)
    figures: dict[str, Any] = field(default_factory=dict)

    def complain(self, reason: str, state: str = "degraded") -> None:
        """Say what is wrong."""
        self.reasons.append(reason)
        self.state = max(self.state, state, key=WORSE.index)

    def as_data(self) -> dict[str, Any]:
        """Return it as it is answered."""
        return {"state": self.state, "reasons": self.reasons, **self.figures}


class Watch:
    """Looks at the rooms of a shop when asked; keeps nothing itself.

    *Failing* is what makes answers wrong or readings lost: no broker, no reading, no room, nothing
    written, nobody who looks. *Degraded* is what somebody should see to.
    """

    def __init__(self, shop: Any, db: Database) -> None:
        # A shop by itself, or one of those that workers serve: whatever has the same parts.
        self._shop = shop
        self._probe = WriteProbe(db)

    def health(self) -> dict[str, Any]:
        """Say how the service is, and why where it is not well."""
        shop = self._shop
        intake = shop.intake.health()
        checks = self.checks(intake)
        status = max((check.state for check in checks), key=WORSE.index)
        return {
            "status": status,
            "reasons": [reason for check in checks for reason in check.reasons],
            "checks": {check.name: check.as_data() for check in checks},
            "now": shop.clock.now(),
            "clock_rate": shop.clock.rate,
            "clock_driven": shop.clock.driven,
            "mqtt": {key: value for key, value in intake.items() if key != "problems"},
            "broker": repr(shop.address),
            "broker_embedded": shop.broker is not None,
            "last_look_at": shop.jobs.last_look_at,
            "rejected_kept": shop.desk.reject_count(),
        }

    def checks(self, intake: dict[str, Any]) -> list[Check]:
        """Look at everything."""
        return [
            self._broker(intake),
            self._readings(),
            self._database(),
            self._settling(),
            self._disk(),
            self._looks(),
            self._outlook(),
            self._messages(),
            self._keys(),
            self._proxy(),
            self._backup(),
        ]

    # -- what is looked at -----------------------------------------------------------------

    def _broker(self, intake: dict[str, Any]) -> Check:
        check = Check("broker", figures={"connected": intake["connected"]})
        for problem in intake["problems"]:
            check.complain(problem, "failing")
        return check

    def _readings(self) -> Check:
        in_use = [sensor for sensor in self._shop.desk.sensors() if not sensor.retired]
        ages = [sensor.age_s for sensor in in_use if sensor.age_s is not None]
        check = Check("readings", figures={"newest_age_s": min(ages, default=None)})
        for sensor in in_use:
            if sensor.silent:
                check.complain(
                    say(
                        "sensor {place}/{sensor} is silent",
                        place=sensor.place_id,
                        sensor=sensor.name,
                    )
                )
        for flood in self._shop.intake.floods():
            check.complain(flood)
        if in_use and all(sensor.silent for sensor in in_use):
            check.complain(say("no sensor is heard"), "failing")
        return check

    def _database(self) -> Check:
        check = Check("database")
        if problem := self._probe.problem(self._shop.clock.now()):
            check.complain(say("nothing can be written: {why}", why=problem), "failing")
        return check

    def _settling(self) -> Check:
        settler = self._shop.settler
        check = Check("settling", figures={"behind_s": settler.behind_s})
        if settler.problem:
            check.complain(
                say("readings cannot be assessed: {why}", why=settler.problem), "failing"
            )
        elif settler.behind_s > SETTLING_LATE_S:
            check.complain(say("readings wait {wait:.0f} s to be assessed", wait=settler.behind_s))
        return check

    def _disk(self) -> Check:
        free = shutil.disk_usage(self._shop.settings.data).free
        check = Check("disk", figures={"free_bytes": free})
        if free < DISK_LOW:
            state = "failing" if free < DISK_FULL else "degraded"
            check.complain(say("only {free:.0f} MB are free on the disk", free=free / 1e6), state)
        return check

    def _looks(self) -> Check:
        jobs = self._shop.jobs
        check = Check("looks", figures={"age_s": jobs.look_age_s})
        if jobs.last_error:
            check.complain(say("notices: {why}", why=jobs.last_error), "failing")
        elif jobs.look_age_s > LOOK_LATE_S + 5 * self._shop.settings.tick_s:
            check.complain(
                say("nothing was looked at for {wait:.0f} s", wait=jobs.look_age_s), "failing"
            )
        return check

    def _outlook(self) -> Check:
        shop, check = self._shop, Check("outlook")
        if shop.jobs.longer_error:
            check.complain(say("outlook: {why}", why=shop.jobs.longer_error))
        ages = self._outlook_ages(shop.clock.now())
        check.figures["oldest_age_s"] = max(
            (age.total_seconds() for age in ages.values()), default=None
        )
        for place_id, age in ages.items():
            if age > OUTLOOK_LATE:
                check.complain(
                    say(
                        "the outlook of {place} is {hours:.0f} h old",
                        place=place_id,
                        hours=age / timedelta(hours=1),
                    )
                )
        return check

    def _outlook_ages(self, now: datetime) -> dict[str, timedelta]:
        """Age of the outlooks of places that are heard; of the others that of the readings."""
        heard = {sensor.place_id for sensor in self._shop.desk.sensors() if not sensor.silent}
        fitted = self._shop.desk.outlooks.fitted()
        return {place_id: now - at for place_id, at in fitted.items() if place_id in heard}

    def _messages(self) -> Check:
        shop, check = self._shop, Check("messages")
        if shop.jobs.post_error:
            check.complain(say("messages: {why}", why=shop.jobs.post_error))
        for person, channel in shop.outbox.failing():
            check.complain(
                say("{channel} of {person} is failing", channel=channel.name, person=person.name)
            )
        return check

    def _keys(self) -> Check:
        shop, check = self._shop, Check("keys")
        for worry in shop.certificates.worries():
            check.complain(worry)
        if shop.doorkeeper.problem:
            check.complain(say("keys of sensors: {why}", why=shop.doorkeeper.problem))
        return check

    def _proxy(self) -> Check:
        check = Check("proxy")
        doors = self._shop.web.state.shop.doors
        if doors.on and doors.unsaid:
            check.complain(
                say(
                    "a proxy on this machine does not say for whom it asks (X-Forwarded-For): "
                    "all visitors count as one"
                )
            )
        return check

    def _backup(self) -> Check:
        keeper = self._shop.keeper
        last = None if keeper is None else keeper.last
        age = None if last is None else (self._shop.clock.now() - last).total_seconds()
        check = Check("backup", figures={"age_s": age, "asked_for": keeper is not None})
        for worry in [] if keeper is None else keeper.worries():
            check.complain(worry)
        return check

    # -- figures ---------------------------------------------------------------------------

    def figures(self) -> Iterator[Figure]:
        """Yield what a monitoring system wants to draw; counters begin with the process."""
        shop, now = self._shop, self._shop.clock.now()
        health = self.health()
        intake = health["mqtt"]
        yield Figure("up", "1: no check is failing", int(health["status"] != "failing"))
        for name, check in health["checks"].items():
            yield Figure(
                "check_state", "0: ok, 1: degraded, 2: failing",
                WORSE.index(check["state"]), {"check": name},
            )  # fmt: skip
        for key, said in _COUNTED.items():
            yield Figure(key, said, intake[_KEYS.get(key, key)], counter=True)
        yield Figure("broker_connected", "1: the subscription stands", int(intake["connected"]))
        yield Figure("intake_waiting", "Messages that are not committed yet", intake["waiting"])
        for sensor in shop.desk.sensors():
            if sensor.age_s is not None and not sensor.retired:
                labels = {"place": sensor.place_id, "sensor": sensor.name}
                yield Figure(
                    "reading_age_seconds", "Since its newest reading", sensor.age_s, labels
                )
        yield Figure(
            "settling_lag_seconds", "For how long readings have waited to be assessed",
            shop.settler.behind_s,
        )  # fmt: skip
        yield Figure("unsettled_hours", "Hours still to be assessed", unsettled_hours(shop.db))
        yield Figure(
            "check_age_seconds", "Since checks and clocks were last asked", shop.jobs.look_age_s
        )
        for place_id, age in self._outlook_ages(now).items():
            yield Figure(
                "outlook_age_seconds", "Age of an outlook", age.total_seconds(), {"place": place_id}
            )
        yield from self._outgoing(now)
        if (backup := health["checks"]["backup"]["age_s"]) is not None:
            yield Figure("backup_age_seconds", "Since the last back-up", backup)
        yield Figure("database_bytes", "Size of the database", database_bytes(shop.db))
        free = health["checks"]["disk"]["free_bytes"]
        yield Figure("disk_free_bytes", "Free where the data folder lies", free)
        yield Figure("pages_open", "Pages that listen to the live stream", shop.hub.listeners)

    def _outgoing(self, now: datetime) -> Iterator[Figure]:
        found = outgoing(self._shop.db, now)
        for state in ("waiting", "sent", "acknowledged", "given_up"):
            count = found.by_state.get(state, 0)
            said = "Deliveries on record by outcome"
            yield Figure("deliveries", said, count, {"outcome": state})
        yield Figure("outbox_due", "Deliveries that could go out now", found.due)
        waited = 0.0 if found.oldest_due_at is None else (now - found.oldest_due_at).total_seconds()
        yield Figure("outbox_oldest_seconds", "For how long the oldest has been due", waited)


_COUNTED = {
    "messages_received": "Messages taken from the broker",
    "readings_recorded": "Readings that were kept",
    "readings_duplicate": "Readings that were there already",
    "readings_refused": "Messages that could not be used",
    "messages_dropped": "Messages thrown away for want of room",
    "reconnects": "Times that the broker was lost and found again",
    "worker_restarts": "Times that a thread of the intake began anew",
}
_KEYS = {
    "messages_received": "received",
    "readings_recorded": "recorded",
    "readings_duplicate": "duplicates",
    "readings_refused": "rejected",
    "messages_dropped": "dropped",
}
