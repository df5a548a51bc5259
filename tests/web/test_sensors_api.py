"""Sensors over HTTP: how they stand, corrections and their undoing, the salt check."""

from __future__ import annotations

import math
from datetime import datetime, timedelta
from typing import Any

import pytest
from shopkit import LiveShop

# Greenspan 1977, Table 2, at 20 °C: % RH over the saturated solution.
NACL_PCT, MGCL2_PCT = 75.47, 33.07


@pytest.fixture
def day(shop: LiveShop) -> LiveShop:
    """A booth with one sensor and a day of its readings."""
    now = shop.clock.now()
    shop.read_many(
        [
            (now - timedelta(minutes=5 * i), 21.0 + 0.01 * (i % 90), 47.0 + 0.03 * (i % 70))
            for i in range(288, -1, -1)
        ]
    )
    return shop


def get(shop: LiveShop, path: str, **query: Any) -> Any:
    answer = shop.http.get(f"/api/v1/{path}", params=query)
    assert answer.status_code == 200, answer.text
    return answer.json()


def post(shop: LiveShop, path: str, status: int = 201, **body: Any) -> Any:
    answer = shop.http.post(f"/api/v1/sensors/1/{path}", json=body)
    assert answer.status_code == status, answer.text
    return answer.json()


def in_jar(shop: LiveShop, true_pct: float, hours: float) -> None:
    """Hours in a jar, for a sensor that reads 2 + 0.97 * truth."""
    begun = shop.clock.now()
    shop.jump(hours=hours)
    rows = []
    for minute in range(int(60 * hours)):
        true = true_pct + (48.0 - true_pct) * math.exp(-minute / 15.0)
        wobble = 0.1 * math.sin(1.7 * minute)
        rows.append((begun + timedelta(minutes=minute), 20.0, 2.0 + 0.97 * true + wobble))
    shop.read_many(rows)


def test_a_sensor_tells_all_that_is_known_of_it(day: LiveShop) -> None:
    now = day.clock.now()
    # Within two minutes from 22 to 40 °C: no room does that.
    day.jump(minutes=2)
    day.read(40.0, 47.0)
    (sensor,) = get(day, "sensors")
    alone = get(day, "sensors/1")
    assert {**sensor, "age_s": None} == {**alone, "age_s": None}
    assert (sensor["place"], sensor["name"], sensor["state"]) == ("booth", "wall", "in use")
    assert sensor["raw"]["air_c"] == 40.0
    assert sensor["flags"] != []
    for name in sensor["flags"]:
        assert sensor["flags_24h"][name] == 1
    # Every five minutes of a day and the odd one, less what fell out while the clock moved on.
    assert 287 <= sensor["readings_24h"] <= 289
    assert sensor["corrections"] == []
    assert (sensor["check_due"], sensor["check_every_days"]) == (False, 180)
    due = datetime.fromisoformat(sensor["check_due_at"])
    # 180 days after the first reading, a day ago; the clock runs on while readings are written.
    assert abs(due - (now + timedelta(days=179))) < timedelta(minutes=1)


def test_a_battery_is_told(shop: LiveShop) -> None:
    shop.read(21.0, 50.0)
    assert get(shop, "sensors/1")["battery_pct"] is None


def everything(shop: LiveShop, end: datetime) -> dict[str, Any]:
    span = {"from": (end - timedelta(days=2)).isoformat(), "to": end.isoformat()}
    air = get(shop, "places/booth/air")
    air.pop("age_s")
    history = "places/booth/history"
    return {
        "air": air,
        "raw": get(shop, history, resolution="raw", **span),
        "hours": get(shop, history, resolution="1h", **span),
        "days": get(shop, history, resolution="1d", **span),
    }


def test_a_correction_shows_everywhere_from_its_date_and_undone_leaves_no_trace(
    day: LiveShop,
) -> None:
    now = day.clock.now()
    before = everything(day, now)
    from_at = (now - timedelta(hours=6)).isoformat()
    kept = post(
        day, "corrections", method="typed in", quantity="rh_pct", slope=1.04, offset=-3.5,
        from_at=from_at, who="bench 1",
    )  # fmt: skip
    assert (kept["unit"], kept["holds"], kept["method"]) == ("% RH", True, "typed in")
    after = everything(day, now)
    sent = before["raw"][-1]["raw_rh_pct"]
    assert after["air"]["rh_pct"] == pytest.approx(1.04 * sent - 3.5, abs=1e-9)
    changed = [now != was for was, now in zip(before["raw"], after["raw"], strict=True)]
    first = changed.index(True)
    assert all(changed[first:])
    assert all(row["at"] < from_at for row in before["raw"][:first])
    assert [r["raw_rh_pct"] for r in after["raw"]] == [r["raw_rh_pct"] for r in before["raw"]]
    assert after["hours"][-1] != before["hours"][-1]
    assert after["hours"][0] == before["hours"][0]
    assert get(day, "sensors/1")["corrections"] == [kept]
    gone = day.http.delete(f"/api/v1/sensors/1/corrections/{kept['id']}")
    assert gone.status_code == 204
    assert everything(day, now) == before
    (record,) = get(day, "sensors/1/corrections")
    assert record["undone_at"] is not None
    assert not record["holds"]


def test_a_trusted_instrument_corrects_by_the_sensors_own_mean(day: LiveShop) -> None:
    own = get(day, "sensors/1/around", quantity="rh_pct")
    kept = post(
        day, "corrections", method="trusted instrument", quantity="rh_pct", value=50.0, sd=1.0
    )
    assert kept["offset"] == pytest.approx(50.0 - own["raw"], abs=1e-6)
    assert kept["detail"]["readings"] == own["count"]
    assert get(day, "sensors/1/around", quantity="rh_pct")["corrected"] == pytest.approx(50.0)
    assert get(day, "sensors/1")["checked_at"] is not None


@pytest.mark.parametrize(
    ("body", "field"),
    [
        ({"method": "typed in", "quantity": "rh_pct", "slope": 9}, "slope"),
        ({"method": "typed in", "quantity": "rh_pct", "slope": "NaN"}, "slope"),
        ({"method": "typed in", "quantity": "dew_point_c"}, "quantity"),
        ({"method": "typed in", "quantity": "rh_pct", "offset": 200}, "offset"),
        ({"method": "typed in", "quantity": "rh_pct", "from_at": "2025-03-12T09:00"}, "from_at"),
        ({"method": "typed in", "quantity": "rh_pct", "gain": 2}, "gain"),
        ({"method": "by eye", "quantity": "rh_pct"}, "method"),
        ({"method": "trusted instrument", "quantity": "rh_pct", "sd": 1}, "value"),
        ({"method": "trusted instrument", "quantity": "rh_pct", "value": 9, "sd": 1}, "value"),
        ({"method": "trusted instrument", "quantity": "rh_pct", "value": 48, "sd": 0}, "sd"),
        ({"method": "trusted instrument", "quantity": "surface_c", "value": 20, "sd": 1}, "at"),
    ],
)
def test_a_bad_correction_is_refused_by_its_field(
    day: LiveShop, body: dict[str, Any], field: str
) -> None:
    answer = day.http.post("/api/v1/sensors/1/corrections", json=body)
    assert answer.status_code == 422, answer.text
    assert answer.headers["content-type"] == "application/problem+json"
    (error,) = answer.json()["errors"]
    assert error["field"].split(".")[-1] == field or field in error["reason"]
    assert get(day, "sensors/1/corrections") == []


def test_what_is_set_of_a_sensor_is_told_and_checked(day: LiveShop) -> None:
    def patch(status: int = 200, **body: Any) -> Any:
        answer = day.http.patch("/api/v1/sensors/1", json=body)
        assert answer.status_code == status, answer.text
        return answer.json()

    changed = patch(air_sd_k=0.4, rh_sd_pct=3.0, check_every_days=90)
    assert (changed["air_sd_k"], changed["rh_sd_pct"], changed["check_every_days"]) == (0.4, 3, 90)
    # What is not named stays; null asks for the shop's own figure.
    assert patch(retired=True)["check_every_days"] == 90
    assert patch(check_every_days=None, retired=False)["check_every_days"] == 180
    assert patch(422, check_every_days=0)["errors"][0]["field"] == "check_every_days"
    assert patch(422, rh_sd_pct=-1)["errors"][0]["field"] == "rh_sd_pct"
    assert day.http.patch("/api/v1/sensors/9", json={"retired": True}).status_code == 404


def test_a_sensor_out_of_use_is_neither_silent_nor_in_the_air(day: LiveShop) -> None:
    day.http.patch("/api/v1/sensors/1", json={"retired": True})
    day.jump(hours=3)
    sensor = get(day, "sensors/1")
    assert (sensor["state"], sensor["silent"], sensor["retired"]) == ("retired", False, True)
    assert sensor["check_due_at"] is None
    assert get(day, "places/booth/air")["air_c"] is None


def test_two_jars_from_begin_to_adopted(day: LiveShop) -> None:
    check = post(day, "salt-check")
    assert check["stage"] == "first jar"
    assert [jar["salt"] for jar in check["jars"]] == ["sodium chloride", "magnesium chloride"]
    in_jar(day, NACL_PCT, 0.8)
    settling = get(day, "sensors/1/salt-check")["jars"][0]["settling"]
    assert not settling["settled"]
    assert settling["still"]
    assert settling["ready_in_s"] > 3600
    refused = post(day, "salt-check/take", 409)
    assert refused["errors"][0]["field"] == "jar"
    day.http.delete("/api/v1/sensors/1/salt-check")
    assert get(day, "sensors/1/salt-check")["stage"] == "given up"

    post(day, "salt-check", first="sodium chloride", second="magnesium chloride")
    in_jar(day, NACL_PCT, 4.0)
    first = post(day, "salt-check/take", 200)
    assert (first["stage"], first["jars"][0]["settled"]) == ("to second jar", True)
    assert first["jars"][0]["truth_pct"] == pytest.approx(NACL_PCT, abs=0.02)
    assert post(day, "salt-check/jar", 200, jar=2)["stage"] == "second jar"
    in_jar(day, MGCL2_PCT, 4.0)
    result = post(day, "salt-check/take", 200)
    assert result["stage"] == "result"
    assert result["problem"] is None
    # 2 + 0.97 t turned round; two jars good to 0.3 % RH, 42 % apart.
    assert result["slope"] == pytest.approx(1 / 0.97, abs=0.02)
    for jar, truth in zip(result["jars"], (NACL_PCT, MGCL2_PCT), strict=True):
        assert jar["before_pct"] == jar["rh_pct"]
        assert jar["after_pct"] == pytest.approx(truth, abs=0.03)
    kept = post(day, "salt-check/adopt", who="bench 1")
    assert (kept["method"], kept["holds"], kept["slope"]) == ("two jars", True, result["slope"])
    sensor = get(day, "sensors/1")
    assert (sensor["state"], sensor["corrections"]) == ("coming back", [kept])
    assert get(day, "places/booth/air")["left_out"] == [
        {"sensor": "wall", "why": "is away for its salt check"}
    ]


@pytest.mark.parametrize(
    ("body", "field"),
    [
        ({"first": "sugar"}, "first"),
        ({"second": "potassium chloride"}, "second"),
        ({"third": "sodium chloride"}, "third"),
    ],
)
def test_a_check_with_unfit_salts_is_refused(
    day: LiveShop, body: dict[str, Any], field: str
) -> None:
    assert post(day, "salt-check", 422, **body)["errors"][0]["field"] == field
    assert day.http.get("/api/v1/sensors/1/salt-check").status_code == 422


def test_a_sensor_that_is_flagged_is_named_among_those_left_out(day: LiveShop) -> None:
    now = day.clock.now()
    rows = [(now - timedelta(minutes=5 * i), 21.0, 48.0) for i in range(24, -1, -1)]
    # Bench repeats itself to the last digit for two hours while wall moves.
    fine = [(at, 21.0 + 0.02 * (i % 3), 47.9 + 0.1 * (i % 4)) for i, (at, _, _) in enumerate(rows)]
    day.read_many([(at - timedelta(hours=3), a, r) for at, a, r in fine], sensor="bench")
    day.read_many(rows, sensor="bench")
    bench = get(day, "sensors")[0]
    assert bench["flags"] == ["stuck"]
    air = get(day, "places/booth/air")
    assert air["sensors"] == ["wall"]
    assert air["left_out"] == [{"sensor": "bench", "why": "has not moved for long"}]
