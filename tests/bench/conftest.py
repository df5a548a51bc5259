"""Measurements run only when asked for: `pytest -m bench -s tests/bench`."""

from __future__ import annotations

import pytest


def pytest_collection_modifyitems(config: pytest.Config, items: list[pytest.Item]) -> None:
    if "bench" in config.option.markexpr:
        return
    measuring = [item for item in items if item.get_closest_marker("bench")]
    config.hook.pytest_deselected(items=measuring)
    items[:] = [item for item in items if item not in measuring]
