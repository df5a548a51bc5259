"""Memory goes back to the system after a fit."""

from __future__ import annotations

import os
import subprocess
import sys

RESIDENT = """
import numpy as np
from service.memory import give_back

def resident_mb():
    with open("/proc/self/statm") as file:
        return int(file.read().split()[1]) * {page} / 1e6

kept, parts = [], []
for n in range(40_000):
    # Small pieces, with one that stays between them: freed, but not at the end of the heap.
    parts.append(np.ones(250))
    if n % 400 == 0:
        kept.append(np.ones(250))
full = resident_mb()
del parts
give_back()
print(full - resident_mb())
"""


def test_what_was_freed_is_handed_back():
    code = RESIDENT.format(page=os.sysconf("SC_PAGE_SIZE"))
    freed = subprocess.run(
        [sys.executable, "-c", code], check=True, capture_output=True, text=True
    ).stdout
    # 80 MB were freed; most of it must have gone.
    assert float(freed) > 60.0
