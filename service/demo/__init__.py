"""Saltmarsh Strings, the invented workshop: what is under way, and the season that lies behind it.

``workshop`` begins it and keeps its air going; ``rooms_air`` lives through the season's air,
``plot`` and ``pieces`` decide what was done in it and which flaws that made, ``season`` records it,
``pictures`` draws the photos.
"""

from service.demo.season import Season
from service.demo.workshop import PIECES, SEED, Spring, begin, usual_weather, worked_back

__all__ = ["PIECES", "SEED", "Season", "Spring", "begin", "usual_weather", "worked_back"]
