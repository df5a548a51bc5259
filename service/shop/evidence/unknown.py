"""What the record should know of a flaw and does not."""

from __future__ import annotations

from service.shop.evidence.model import Evidence
from service.shop.said import say

__all__ = ["not_known"]

LITTLE = 0.1
"""A smaller part of the time without readings is not worth a word."""


OF_COATS = {
    "air": "no reading near {count:d} of {coats:d} coats",
    "doubt": "doubtful readings at {count:d} of {coats:d} coats",
    "surface": "the surface of the work was not measured at {count:d} of {coats:d} coats",
    "distance": "no spray distance was told of {count:d} of {coats:d} coats",
    "batch": "no batch was told of {count:d} of {coats:d} coats",
}
OF_THE_ONE = {
    "air": "no reading near the coat",
    "doubt": "doubtful readings at the coat",
    "surface": "the surface of the work was not measured at the coat",
    "distance": "no spray distance was told of the coat",
    "batch": "no batch was told of the coat",
}


def not_known(made: Evidence) -> tuple[str, ...]:
    """Say what the record should know and does not."""
    coats = made.coats
    if not coats:
        return (say("no coat was recorded before it was seen"),)
    counts = {
        "air": sum(c.air_at is None for c in coats),
        "doubt": sum(c.air_at is not None and c.air_at.flagged for c in coats),
        "surface": sum(c.air_at is not None and not c.air_at.surface_measured for c in coats),
        "distance": sum(c.distance_cm is None and c.usual_distance_cm is not None for c in coats),
        "batch": sum(not c.batch for c in coats),
    }
    found = [
        say(OF_COATS[what], count=count, coats=len(coats)) if len(coats) > 1 else OF_THE_ONE[what]
        for what, count in counts.items()
        if count
    ]
    if made.swings is not None and made.swings.missing_share > LITTLE:
        share = made.swings.missing_share
        found.append(say("{share:.0%} of the time after the last coat has no reading", share=share))
    return tuple(found)
