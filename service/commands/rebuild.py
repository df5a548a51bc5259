"""``boothglass rebuild``: everything derived, reckoned anew."""

from __future__ import annotations

from service.clock import WallClock
from service.commands.common import Progress, shop_database, shop_settings
from service.store.catalogue import load_catalogue
from service.store.rebuilding import Rebuilt, rebuild
from service.store.recipes import RecipeBook

__all__ = ["run"]


def run(*, check: bool) -> None:
    """Rebuild, or only compare; ends with status 1 where a comparison found a difference."""
    settings = shop_settings()
    with shop_database(settings) as database:
        progress = Progress("compared" if check else "rebuilt")
        catalogue = load_catalogue(settings.data)
        RecipeBook(database, WallClock(), catalogue)  # lays the shop's own versions over it
        found = rebuild(database, catalogue=catalogue, check=check, progress=progress)
        progress.end()
    print(told(found, check=check))
    if check and not found.same:
        raise SystemExit(1)


def told(found: Rebuilt, *, check: bool) -> str:
    """Write what was found."""
    what = f"{found.hours:,} hours of readings " + ("compared" if check else "reckoned anew")
    if found.same:
        return f"{what}: flags and roll-ups are what they were, and so are the clocks of verdicts"
    wrong = "are not what they should be" if check else "were not what they should have been"
    counted = f"{found.flags:,} flags and {found.rollups:,} roll-ups"
    if found.verdicts:
        counted += f" and {found.verdicts:,} clocks of verdicts"
    lines = [f"{what}: {counted} {wrong}"]
    lines += [
        f"  {d.at:%Y-%m-%d %H:%M:%S} {d.place}/{d.sensor} {d.what}: {d.was}, now {d.now}"
        for d in found.examples
    ]
    rest = found.flags + found.rollups + found.verdicts - len(found.examples)
    return "\n".join([*lines, *([f"  and {rest:,} more"] if rest else [])])
