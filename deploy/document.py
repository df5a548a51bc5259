"""Tables that a script makes and a page of the docs carries between two marks."""

from __future__ import annotations

import sys
from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path

__all__ = ["DOCS", "Block"]

DOCS = Path(__file__).resolve().parents[1] / "dashboards" / "docs"


@dataclass(frozen=True)
class Block:
    """A place in a page, from one mark to another, each of which stands there once."""

    page: Path
    begin: str
    end: str

    @classmethod
    def of(cls, page: str, script: str) -> Block:
        """Return the block of a script in a page of the docs, by its usual marks."""
        return cls(DOCS / page, f"<!-- begin: {script} -->", f"<!-- end: {script} -->")

    def text(self) -> str:
        """Return the whole page."""
        return self.page.read_text(encoding="utf-8")

    def inside(self) -> str:
        """Return what stands between the marks."""
        return self.text().split(self.begin)[1].split(self.end)[0]

    def filled(self, made: str) -> str:
        """Return the page with what was made between the marks."""
        before, rest = self.text().split(self.begin)
        _, after = rest.split(self.end)
        return f"{before}{self.begin}\n\n{made}\n\n{self.end}{after}"

    def write(self, made: str) -> None:
        """Write what was made into the page."""
        self.page.write_text(self.filled(made), encoding="utf-8")

    def print_or_write(self, make: Callable[[], str]) -> None:
        """Make the tables; print them, or with ``--write`` write them."""
        made = make()
        if sys.argv[1:] == ["--write"]:
            self.write(made)
        else:
            print(made)
