"""Property tests of the science draw the same examples each time, however busy the machine."""

from __future__ import annotations

from hypothesis import settings

settings.register_profile("science", deadline=None, derandomize=True)
settings.load_profile("science")
