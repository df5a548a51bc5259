"""``boothglass verify-evidence``: whether what a flaw's evidence rests on is still as it was."""

from __future__ import annotations

import re

from service.commands.common import fail, shop_database, shop_settings
from service.store.flaw_digest import read_digest

__all__ = ["run"]


def run(flaw: int, digest: str) -> None:
    """Reckon a flaw's digest from the record; ends with status 1 where it is another."""
    asked = digest.strip().lower()
    if re.fullmatch(r"[0-9a-f]{64}", asked) is None:
        fail("digest: expected 64 hexadecimal figures, as evidence and report give them")
    with shop_database(shop_settings()) as database:
        found = read_digest(database, flaw)
    rests = f"{found.coats:,} coats and {found.readings:,} readings"
    if found.sha256 == asked:
        print(f"flaw {flaw}: the same: {rests} in the record give this digest")
        return
    print(
        f"flaw {flaw}: not the same: {rests} in the record give {found.sha256}; "
        "a reading, a coat, or the flaw's part or time is another than it was"
    )
    raise SystemExit(1)
