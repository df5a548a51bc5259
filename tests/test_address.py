"""Where a notice leads: the page on which most can be done about it."""

from __future__ import annotations

from datetime import UTC, datetime
from typing import Any

import pytest

from service.address import page_of
from service.store.tables import Notice


@pytest.mark.parametrize(
    ("kind", "about", "path"),
    [
        ("sand-ready", {"instrument_id": 4, "place_id": "rack"}, "/instruments/4"),
        (
            "window-opening",
            {"place_id": "booth", "data": {"material": "toner-can"}},
            "/?place=booth&material=toner-can",
        ),
        ("sensor-check-due", {"place_id": "booth", "data": {"sensor": "3"}}, "/sensors/3"),
        ("sensor-silent", {"place_id": "booth"}, "/air/booth"),
        ("anything", {}, None),
    ],
)
def test_a_notice_leads_to_its_page(kind: str, about: dict[str, Any], path: str | None) -> None:
    at = datetime(2026, 3, 2, 9, 0, tzinfo=UTC)
    assert page_of(Notice(**({"key": "k", "kind": kind, "at": at, "text": ""} | about))) == path
