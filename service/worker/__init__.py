"""One of several processes that serve an installation together: one shop, or many.

Every worker takes its part of the readings from the broker and answers pages. What must be done
once is done by whoever leads for the shop. All of them share one PostgreSQL database and one
broker; any may be killed at any time.
"""

from __future__ import annotations

from service.worker.worker import Worker

__all__ = ["Worker"]
