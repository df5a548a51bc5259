"""From what is known of sensors to what the API gives."""

from __future__ import annotations

from service.shop.jars import Outcome
from service.store.salt_book import SaltCheckView, ViewedJar
from service.store.sensor_book import UNITS, Around
from service.store.sensor_views import Held, SensorDetail
from service.web import models

__all__ = ["around_out", "correction_out", "salt_check_out", "sensor_out"]


def sensor_out(sensor: SensorDetail) -> models.SensorOut:
    """A sensor as it stands."""
    said = models.SaidOut.model_validate
    return models.SensorOut(
        id=sensor.id,
        place=sensor.place_id,
        name=sensor.name,
        state=sensor.state,
        last_at=sensor.last_at,
        age_s=sensor.age_s,
        silent=sensor.silent,
        retired=sensor.retired_at is not None,
        battery_pct=sensor.battery_pct,
        raw=None if sensor.raw is None else said(sensor.raw),
        corrected=None if sensor.corrected is None else said(sensor.corrected),
        flags=None if sensor.flags is None else list(sensor.flags),
        flags_24h=dict(sensor.flags_24h),
        readings_24h=sensor.readings_24h,
        air_sd_k=sensor.air_sd_k,
        rh_sd_pct=sensor.rh_sd_pct,
        air_sd_now_k=sensor.air_sd_now_k,
        rh_sd_now_pct=sensor.rh_sd_now_pct,
        corrections=[correction_out(held) for held in sensor.corrections],
        check_every_days=sensor.check_every_days,
        checked_at=sensor.checked_at,
        check_due_at=sensor.check_due_at,
        check_due=sensor.check_due,
    )


def correction_out(held: Held) -> models.CorrectionOut:
    """A correction as it was kept."""
    return models.CorrectionOut(
        id=held.id,
        quantity=held.quantity,
        unit=UNITS[held.quantity],
        from_at=held.from_at,
        slope=held.slope,
        offset=held.offset,
        sd=held.sd,
        method=held.method,
        detail=models.finite(held.detail),
        who=held.who,
        made_at=held.made_at,
        undone_at=held.undone_at,
        holds=held.holds,
    )


def around_out(around: Around) -> models.AroundOut:
    """A sensor's own mean about an instant."""
    return models.AroundOut.model_validate(around)


def salt_check_out(check: SaltCheckView) -> models.SaltCheckOut:
    """A two-jar check as it stands."""
    found = check.outcome
    return models.SaltCheckOut(
        sensor=check.sensor_id,
        stage=check.stage,
        begun_at=check.begun_at,
        ended_at=check.ended_at,
        jars=[_jar_out(jar, found) for jar in check.jars],
        slope=None if found is None else found.slope,
        offset_pct=None if found is None else found.offset_pct,
        sd_pct=None if found is None else found.sd_pct,
        problem=check.problem,
        correction=check.correction_id,
    )


def _jar_out(jar: ViewedJar, found: Outcome | None) -> models.JarOut:
    taken, now_is = jar.taken, jar.settling
    return models.JarOut(
        salt=jar.salt,
        since=jar.since,
        taken_at=jar.taken_at,
        settled=jar.settled,
        rh_pct=None if taken is None else taken.rh_pct,
        air_c=None if taken is None else taken.air_c,
        truth_pct=jar.truth_pct,
        before_pct=jar.before_pct,
        after_pct=(
            None
            if taken is None or found is None
            else found.slope * taken.rh_pct + found.offset_pct
        ),
        settling=None if now_is is None else models.SettlingOut.model_validate(now_is),
    )
