"""Alembic migrations. ``python -m service.store.migrations "what changed"`` drafts a new one."""
