"""A service that starts begins with what pages will ask for, and waits for no timer."""

from __future__ import annotations

from datetime import UTC, datetime, timedelta
from pathlib import Path

import databases
import pytest
from equipment import eventually

from service.app import Shop
from service.settings import Settings
from service.store.db import Database
from service.store.readings import NewReading, record_batch
from service.store.settling import settle_all

NOW = datetime(2026, 4, 20, 9, 12, tzinfo=UTC)


def four_days(folder: Path) -> None:
    """Let the booth and the rack be heard for four days."""
    db = Database(databases.fresh(folder))
    rows = [
        NewReading(place, "wall", at, at, 20.0 + off + (n % 144) / 100.0, 45.0 + n % 7)
        for n in range(4 * 144)
        for place, off in (("booth", 0.0), ("rack", 2.0))
        if (at := NOW - timedelta(minutes=10 * n))
    ]
    with db.write() as session:
        record_batch(session, rows)
    settle_all(db)
    db.dispose()


@pytest.mark.real
def test_windows_are_there_although_no_timer_has_run(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    four_days(tmp_path)
    settings = Settings(
        _env_file=None, data=tmp_path, mqtt_port=0, clock_start=NOW, zone="UTC", tick_s=60.0,
        database_url=databases.setting(tmp_path),
    )  # fmt: skip
    shop = Shop(settings)
    told: list[tuple[str, object]] = []
    publish = shop.hub.publish

    def noted(event: str, data: dict[str, object]) -> None:
        told.append((event, data.get("place")))
        publish(event, data)

    monkeypatch.setattr(shop.hub, "publish", noted)
    shop.start()
    try:
        # The outlook of the booth, which the first page opens with; then its windows.
        eventually(lambda: ("outlook", "") in told, 55, "the windows are told")
        assert told.index(("outlook", "booth")) < told.index(("outlook", ""))
        material = next(m for m in shop.catalogue.materials.values() if m.blend is not None)
        check = shop.desk.spray_check("booth", material.id)
        assert shop.desk.windows("booth", check).why_none == ""
    finally:
        shop.stop()
