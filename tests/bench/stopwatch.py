"""Processor time in turns, so that a busy moment of the machine falls on all alike; and a table."""

from __future__ import annotations

import time
from collections.abc import Callable, Mapping


def in_turns(ways: Mapping[str, Callable[[], object]], turns: int = 7) -> dict[str, float]:
    """Least processor time of each way, s, over so many rounds of all; one goes unmeasured."""
    best = dict.fromkeys(ways, float("inf"))
    for turn in range(turns + 1):
        for name, way in ways.items():
            start = time.process_time()
            way()
            passed = time.process_time() - start
            if turn:
                best[name] = min(best[name], passed)
    return best


def table(title: str, seconds: Mapping[str, float], base: str, notes: Mapping[str, str]) -> None:
    """Print the times, and each as a multiple of `base`."""
    print(f"\n{title}")
    for name, passed in seconds.items():
        ratio = passed / seconds[base]
        print(f"  {name:<34}{1e3 * passed:>10.2f} ms {ratio:>8.2f} x   {notes.get(name, '')}")
