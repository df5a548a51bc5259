"""JSON Pointer (RFC 6901): checked when it is written down, followed into each payload."""

from __future__ import annotations

from typing import Any

from jsonpointer import EndOfList, JsonPointer, JsonPointerException

from sensors.wire import shown

__all__ = ["Pointer", "pointer_to"]

LONGEST = 256


class Pointer:
    """A checked pointer; ``""`` is the whole payload.

    Raises
    ------
    ValueError
        Where the text is no JSON Pointer, or longer than 256 characters.
    """

    def __init__(self, text: str) -> None:
        if len(text) > LONGEST:
            raise ValueError(f"is {len(text)} characters long; {LONGEST} at most")
        try:
            self._found = JsonPointer(text)
        except JsonPointerException as error:
            raise ValueError(
                f"{shown(text)} is no JSON Pointer (RFC 6901), such as /air/temperature"
            ) from error
        self.text = text

    def __call__(self, document: Any) -> Any:
        """Return what the pointer leads to; None where there is nothing, as for JSON's null."""
        found = self._found.resolve(document, None)
        return None if isinstance(found, EndOfList) else found


def pointer_to(*steps: str | int) -> str:
    """Write the pointer that takes these steps."""
    return str(JsonPointer.from_parts(steps).path)
