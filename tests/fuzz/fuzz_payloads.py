"""Any bytes on any topic, steered by which lines they reach: not in CI, see DEVELOPERS.md."""

from __future__ import annotations

import sys
from pathlib import Path

import atheris

sys.path[:0] = [str(Path(__file__).parent)]

with atheris.instrument_imports(include=["sensors", "service.intake", "json"]):
    import whole_way

TOPICS = ("boothglass/booth/wall", "boothglass/Rack/s-1", "boothglass/notices/x", "boothglass/a")


def one(data: bytes) -> None:
    """The first byte chooses the topic, or that it comes out of the data too."""
    if not data:
        return
    choice, body = data[0], data[1:]
    if choice < 0xC0:
        topic, payload = TOPICS[choice % len(TOPICS)] if choice < 8 else TOPICS[0], body
    else:
        first, _, payload = body.partition(b"\0")
        topic = first.decode("utf-8", "replace")
    whole_way.message(topic, payload, waited=choice % 2 == 1)


if __name__ == "__main__":
    atheris.Setup(sys.argv, one)
    atheris.Fuzz()
