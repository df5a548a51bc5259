"""What the record should know of a flaw and does not."""

from __future__ import annotations

from service.shop.evidence.model import Evidence

__all__ = ["not_known"]

LITTLE = 0.1
"""A smaller part of the time without readings is not worth a word."""


def not_known(made: Evidence) -> tuple[str, ...]:
    """Say what the record should know and does not."""
    coats = made.coats
    if not coats:
        return ("no coat was recorded before it was seen",)
    found = []

    def of(count: int, text: str) -> None:
        if count:
            found.append(
                f"{text} {count} of {len(coats)} coats" if len(coats) > 1 else f"{text} the coat"
            )

    of(sum(c.air_at is None for c in coats), "no reading near")
    of(sum(c.air_at is not None and c.air_at.flagged for c in coats), "doubtful readings at")
    of(
        sum(c.air_at is not None and not c.air_at.surface_measured for c in coats),
        "the surface of the work was not measured at",
    )
    of(
        sum(c.distance_cm is None and c.usual_distance_cm is not None for c in coats),
        "no spray distance was told of",
    )
    of(sum(not c.batch for c in coats), "no batch was told of")
    if made.swings is not None and made.swings.missing_share > LITTLE:
        found.append(
            f"{made.swings.missing_share:.0%} of the time after the last coat has no reading"
        )
    return tuple(found)
