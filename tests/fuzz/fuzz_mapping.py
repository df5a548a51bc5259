"""Any mapping read against any bytes, steered by coverage: not in CI, see DEVELOPERS.md."""

from __future__ import annotations

import json
import sys
from pathlib import Path

import atheris

sys.path[:0] = [str(Path(__file__).parent)]

with atheris.instrument_imports(include=["sensors", "service.intake"]):
    import whole_way

SPECS = (
    {
        "topic": "shop/{place}/{sensor}/state",
        "values": {
            "air_c": {"pointer": "/air/temp", "unit": "°F"},
            "rh_pct": {"pointer": "/air/hum", "unit": "%"},
        },
        "time": {"pointer": "/when", "form": "epoch_ms"},
    },
    {
        "topic": "shop/rack/{sensor}/{quantity}",
        "place": "rack",
        "words": {
            "t": {"quantity": "air_c", "unit": "°C"},
            "h": {"quantity": "rh_pct", "unit": "%"},
        },
        "text_numbers": True,
    },
    {
        "topic": "x/{sensor}",
        "place": "booth",
        "partial": True,
        "text_numbers": True,
        "values": {
            "air_c": {"pointer": "/0/t", "unit": "K"},
            "rh_pct": {"pointer": "/h", "unit": "%"},
            "surface_c": {"pointer": "/s~1t", "unit": "°C"},
        },
        "time": {"pointer": "/at", "form": "iso", "zone": "Europe/London"},
    },
)
TOPICS = ("shop/Rack 1/s1/state", "shop/rack/s1/t", "x/s1")


def one(data: bytes) -> None:
    """A known mapping against any payload, or both out of the data."""
    if not data:
        return
    choice, body = data[0], data[1:]
    if choice < 0x80:
        which = choice % len(SPECS)
        whole_way.mapping(SPECS[which], TOPICS[which], body)
        return
    first, _, rest = body.partition(b"\0")
    topic, _, payload = rest.partition(b"\0")
    try:
        spec = json.loads(first)
    except (ValueError, RecursionError):
        return
    whole_way.mapping(spec, topic.decode("utf-8", "replace"), payload)


if __name__ == "__main__":
    atheris.Setup(sys.argv, one)
    atheris.Fuzz()
