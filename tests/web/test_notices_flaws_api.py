"""Notices, flaws, wrong payloads, health, sensors and the clock over HTTP."""

from __future__ import annotations

from datetime import datetime, timedelta
from pathlib import Path

from shopkit import START, LiveShop, live_shop

from service.clock import WallClock

API = "/api/v1"


def test_a_notice_is_listed_until_and_after_it_is_seen(shop: LiveShop) -> None:
    first = shop.tell("recoat-ready", "No. 41: ready")
    shop.jump(minutes=1)
    second = shop.tell("sensor-silent", "Sensor wall is silent")
    assert [n["id"] for n in shop.http.get(f"{API}/notices").json()] == [second, first]
    assert shop.http.post(f"{API}/notices/{first}/seen").status_code == 204
    assert shop.http.post(f"{API}/notices/{first}/seen").status_code == 204
    unseen = shop.http.get(f"{API}/notices", params={"unseen": "true"}).json()
    assert [n["id"] for n in unseen] == [second]
    assert shop.http.get(f"{API}/notices", params={"limit": 1}).json()[0]["id"] == second
    assert shop.http.post(f"{API}/notices/99/seen").status_code == 404


def test_a_flaw_keeps_the_air_behind_each_coat(shop: LiveShop) -> None:
    shop.read_day("booth", 22.0, 45.0)
    piece = shop.add_piece()
    at = shop.clock.now() - timedelta(hours=4)
    coat = shop.work.record_coat(piece, at=at)
    answer = shop.http.post(
        f"{API}/flaws",
        json={"instrument": piece, "kind": "blush", "part": "back", "severity": 3, "note": "white"},
    )
    assert answer.status_code == 201
    flaw = answer.json()
    assert answer.headers["location"] == f"{API}/flaws/{flaw['id']}"
    behind = shop.http.get(f"{API}/flaws/{flaw['id']}/evidence").json()["evidence"]["coats"]
    assert [c["coat_id"] for c in behind] == [coat.id]
    assert behind[0]["before"]["readings"] >= 12
    assert behind[0]["after"]["rh_pct"]["mean"] == 45.0
    assert shop.http.get(f"{API}/flaws/{flaw['id']}").json() == flaw
    assert shop.http.get(f"{API}/flaws", params={"instrument": piece}).json() == [flaw]
    assert shop.http.get(f"{API}/flaws", params={"instrument": piece + 1}).json() == []


def test_wrong_payloads_are_shown_with_field_and_reason(shop: LiveShop) -> None:
    shop.reject(b'\xff{"air_c": NaN}', "air_c", "is not a number")
    answer = shop.http.get(f"{API}/rejects")
    assert answer.headers["boothglass-count"] == "1"
    (row,) = answer.json()
    assert (row["field"], row["reason"]) == ("air_c", "is not a number")
    assert row["payload"] == '\\xff{"air_c": NaN}'


def test_sensors_say_when_they_were_last_heard(shop: LiveShop) -> None:
    shop.read(22.0, 45.0)
    (sensor,) = shop.http.get(f"{API}/sensors").json()
    assert (sensor["place"], sensor["name"], sensor["silent"]) == ("booth", "wall", False)
    shop.jump(seconds=shop.settings.stale_after_s + 60)
    (sensor,) = shop.http.get(f"{API}/sensors").json()
    assert sensor["silent"] is True
    assert sensor["age_s"] > shop.settings.stale_after_s


def test_health_answers_200_until_it_fails(shop: LiveShop) -> None:
    shop.status = {
        "status": "degraded",
        "reasons": ["sensor silent"],
        "now": START,
        "x": float("nan"),
    }
    answer = shop.http.get(f"{API}/health")
    assert answer.status_code == 200
    said = answer.json()
    assert said["reasons"] == ["sensor silent"]
    assert said["now"] == "2025-03-12T09:00:00.000Z"
    assert said["x"] is None
    shop.status = {"status": "failing", "reasons": ["no broker"]}
    assert shop.http.get(f"{API}/health").status_code == 503


def test_a_driven_clock_is_driven_forward_only(shop: LiveShop) -> None:
    target = START + timedelta(days=2)
    answer = shop.http.post(f"{API}/clock", json={"now": target.isoformat(), "rate": 60})
    assert answer.status_code == 200
    said = answer.json()
    assert said["rate"] == 60.0
    assert datetime.fromisoformat(said["now"]) >= target
    back = shop.http.post(f"{API}/clock", json={"now": START.isoformat()})
    assert back.status_code == 422
    assert back.json()["errors"][0]["field"] == "now"
    assert shop.http.get(f"{API}/clock").json()["driven"] is True


def test_a_real_clock_is_not_driven(tmp_path: Path) -> None:
    with live_shop(tmp_path, clock=WallClock()) as shop:
        refused = shop.http.post(f"{API}/clock", json={"rate": 60})
        assert refused.status_code == 409
        assert refused.headers["content-type"] == "application/problem+json"
        assert shop.http.get(f"{API}/clock").json()["driven"] is False
