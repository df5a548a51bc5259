"""What goes wrong with back-ups."""

from __future__ import annotations

__all__ = ["BackupError"]


class BackupError(RuntimeError):
    """A back-up cannot be made or used; the message says why."""
