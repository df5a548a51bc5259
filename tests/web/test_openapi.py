"""The description of the API: complete, and true where it can be checked."""

from __future__ import annotations

from typing import Any

import pytest
from shopkit import LiveShop

WANTED = {
    "/api/v1/places": {"get", "post"},
    "/api/v1/places/{place_id}": {"get", "patch"},
    "/api/v1/places/{place_id}/air": {"get"},
    "/api/v1/places/{place_id}/history": {"get"},
    "/api/v1/places/{place_id}/film": {"get"},
    "/api/v1/places/{place_id}/export": {"get"},
    "/api/v1/shop/export": {"get"},
    "/api/v1/places/{place_id}/wood": {"get"},
    "/api/v1/places/{place_id}/spray-check": {"get"},
    "/api/v1/places/{place_id}/what-if": {"get"},
    "/api/v1/places/{place_id}/outlook": {"get"},
    "/api/v1/places/{place_id}/windows": {"get"},
    "/api/v1/forecast": {"post"},
    "/api/v1/pairing": {"post"},
    "/api/v1/pairing/authority": {"get"},
    "/api/v1/materials": {"get", "post"},
    "/api/v1/materials/{material_id}/figures": {"post"},
    "/api/v1/materials/{material_id}/versions": {"get"},
    "/api/v1/materials/{material_id}": {"get"},
    "/api/v1/materials/{material_id}/learning": {"get"},
    "/api/v1/schedules": {"get", "post"},
    "/api/v1/schedules/{schedule_id}/versions": {"get"},
    "/api/v1/schedules/{schedule_id}": {"get"},
    "/api/v1/instruments": {"get", "post"},
    "/api/v1/instruments/{instrument_id}": {"get"},
    "/api/v1/instruments/{instrument_id}/film": {"get"},
    "/api/v1/instruments/{instrument_id}/hang": {"post"},
    "/api/v1/instruments/{instrument_id}/coats": {"get", "post"},
    "/api/v1/instruments/{instrument_id}/steps": {"post"},
    "/api/v1/instruments/{instrument_id}/gone": {"post", "delete"},
    "/api/v1/instruments/{instrument_id}/cold-arrival": {"get", "post", "delete"},
    "/api/v1/instruments/{instrument_id}/undo": {"post"},
    "/api/v1/instruments/{instrument_id}/ready": {"get"},
    "/api/v1/instruments/{instrument_id}/verdicts": {"post"},
    "/api/v1/verdicts/{verdict_id}": {"delete"},
    "/api/v1/coats/{coat_id}": {"delete"},
    "/api/v1/hangings/{hanging_id}": {"delete"},
    "/api/v1/hangings/{move_id}/moved": {"post", "delete"},
    "/api/v1/plan": {"get"},
    "/api/v1/working-hours": {"get", "put"},
    "/api/v1/people": {"get", "post"},
    "/api/v1/people/{person_id}": {"get", "patch", "delete"},
    "/api/v1/people/{person_id}/channels": {"get", "post"},
    "/api/v1/people/{person_id}/channels/{channel_id}": {"patch", "delete"},
    "/api/v1/people/{person_id}/channels/{channel_id}/test": {"post"},
    "/api/v1/people/{person_id}/deliveries": {"get"},
    "/api/v1/deliveries/{delivery_id}/acknowledge": {"post"},
    "/api/v1/push/key": {"get"},
    "/api/v1/access/people": {"get"},
    "/api/v1/access/people/{person_id}": {"delete"},
    "/api/v1/access/people/{person_id}/invitations": {"post"},
    "/api/v1/access/people/{person_id}/role": {"put"},
    "/api/v1/access/wall-links": {"post"},
    "/api/v1/access/devices": {"get"},
    "/api/v1/access/devices/{session_id}": {"delete"},
    "/api/v1/access/tokens": {"get", "post"},
    "/api/v1/access/tokens/{token_id}": {"delete"},
    "/api/v1/sign-in/devices": {"get", "delete"},
    "/api/v1/sign-in/devices/{session_id}": {"delete"},
    "/api/v1/notices": {"get"},
    "/api/v1/notices/{notice_id}/seen": {"post"},
    "/api/v1/flaws": {"get", "post"},
    "/api/v1/flaws/{flaw_id}": {"get", "patch", "delete"},
    "/api/v1/flaws/{flaw_id}/evidence": {"get"},
    "/api/v1/flaws/{flaw_id}/causes": {"get"},
    "/api/v1/flaw-rates": {"get"},
    "/api/v1/flaw-rates/adopt": {"post"},
    "/api/v1/flaws/{flaw_id}/report": {"get"},
    "/api/v1/flaws/{flaw_id}/cause": {"put", "delete"},
    "/api/v1/flaws/{flaw_id}/photos": {"post"},
    "/api/v1/flaws/{flaw_id}/photos/{photo_id}": {"get", "delete"},
    "/api/v1/flaw-kinds": {"get"},
    "/api/v1/settings": {"get", "patch"},
    "/api/v1/health": {"get"},
    "/api/v1/clock": {"get", "post"},
    "/api/v1/listening": {"get", "post"},
    "/api/v1/sensor-kinds": {"get", "post"},
    "/api/v1/sensor-kinds/try": {"post"},
    "/api/v1/sensor-kinds/{kind_id}": {"delete"},
    "/api/v1/sensors": {"get"},
    "/api/v1/sensors/{sensor_id}": {"get", "patch"},
    "/api/v1/sensors/{sensor_id}/around": {"get"},
    "/api/v1/sensors/{sensor_id}/corrections": {"get", "post"},
    "/api/v1/sensors/{sensor_id}/corrections/{correction_id}": {"delete"},
    "/api/v1/sensors/{sensor_id}/salt-check": {"get", "post", "delete"},
    "/api/v1/sensors/{sensor_id}/salt-check/take": {"post"},
    "/api/v1/sensors/{sensor_id}/salt-check/jar": {"post"},
    "/api/v1/sensors/{sensor_id}/salt-check/adopt": {"post"},
    "/api/v1/rejects": {"get"},
    "/api/v1/events": {"get"},
}


@pytest.fixture(scope="module")
def description(dry_shop: LiveShop) -> dict[str, Any]:
    """What the service says of itself."""
    found: dict[str, Any] = dry_shop.http.get("/openapi.json").json()
    return found


def test_every_route_is_described_and_nothing_else(description: dict[str, Any]) -> None:
    assert {path: set(item) for path, item in description["paths"].items()} == WANTED


def test_every_operation_says_what_it_does_and_that_errors_are_problems(
    description: dict[str, Any],
) -> None:
    for path, item in description["paths"].items():
        for method, operation in item.items():
            assert operation.get("description"), (method, path)
            problem = operation["responses"]["4XX"]["content"]
            assert list(problem) == ["application/problem+json"], (method, path)


def test_every_reference_leads_somewhere(description: dict[str, Any]) -> None:
    schemas = description["components"]["schemas"]

    def follow(node: Any) -> None:
        if isinstance(node, dict):
            if "$ref" in node:
                assert node["$ref"].removeprefix("#/components/schemas/") in schemas
            for value in node.values():
                follow(value)
        elif isinstance(node, list):
            for value in node:
                follow(value)

    follow(description)


def test_every_figure_carries_its_unit_in_its_name(description: dict[str, Any]) -> None:
    units = ("_c", "_k", "_pct", "_pa", "_s", "_min", "_h", "_um", "_mm", "_m3", "_g_m2", "_g_kg",
             "_m", "_g_m3", "_l", "_l_day", "_kw", "_kwh", "_cm", "_days", "_hours", "_share",
             "_part")  # fmt: skip
    pure = {"blush_probability", "clock", "rate", "value", "limit", "amount", "hours",
            "slope", "offset", "sd", "raw", "corrected", "p10", "p50", "p90", "probability",
            "throughout", "middle", "low", "high", "sd_log", "own_sd_log", "piece_sd_log",
            "lapse", "mean", "min", "max", "change", "from_value", "to_value", "clock_low",
            "clock_high", "was", "now", "prior", "ratio",
            "rate_low", "rate_high"}  # fmt: skip
    for name, schema in description["components"]["schemas"].items():
        for field, kind in schema.get("properties", {}).items():
            types = {kind.get("type"), *(option.get("type") for option in kind.get("anyOf", []))}
            if "number" in types:
                assert field.endswith(units) or field in pure, (name, field)
