"""Tables that commands of ``deploy`` have written into pages."""

from __future__ import annotations

import importlib
import sys
from pathlib import Path
from typing import Any

ROOT = Path(__file__).resolve().parents[2]


def command(name: str) -> Any:
    """Return the module of a command."""
    sys.path.insert(0, str(ROOT / "deploy"))
    try:
        return importlib.import_module(name)
    finally:
        sys.path.remove(str(ROOT / "deploy"))


def tables(made: Any) -> list[list[list[str]]]:
    """Return the cells of each table between a command's markers, line by line."""
    text = made.PAGE.read_text()
    inside = text.partition(made.BEGIN)[2].partition(made.END)[0]
    found: list[list[list[str]]] = [[]]
    for line in inside.splitlines():
        if line.startswith("|"):
            found[-1].append([cell.strip() for cell in line.strip("|").split("|")])
        elif found[-1]:
            found.append([])
    return [table for table in found if table]
