"""Pages, JSON API and the live stream. May import ``store`` and ``shop``; decides nothing.

``api`` holds the JSON routers, ``pages`` what a browser shows; ``site`` puts them together.
"""

from __future__ import annotations

from service.web.live import Hub
from service.web.site import create_web

__all__ = ["Hub", "create_web"]
