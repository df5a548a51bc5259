"""Waiting until a page works without connection."""

from __future__ import annotations

from equipment import eventually
from playwright.sync_api import Page

__all__ = ["settle"]

KEPT = """async () => Boolean(
  navigator.serviceWorker.controller && await caches.match(location.href))"""


def settle(page: Page) -> None:
    """Wait until the service worker answers for this page, and the page itself is kept."""
    eventually(lambda: page.evaluate(KEPT), 30, "the page is kept")
