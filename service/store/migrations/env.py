"""How Alembic meets our tables."""

from typing import Literal

from alembic import context
from sqlalchemy import create_engine
from sqlmodel import SQLModel
from sqlmodel.sql.sqltypes import AutoString

from service.store import tables  # noqa: F401 -- fills the metadata
from service.store.types import UtcMillis


def _render(kind: str, item: object, _context: object) -> str | Literal[False]:
    """Write plain column types, so that an old migration does not change with our classes."""
    if kind == "type" and isinstance(item, UtcMillis):
        return "sa.BigInteger()"
    if kind == "type" and isinstance(item, AutoString):
        return f"sa.String(length={item.length})"
    return False


url = context.config.get_main_option("sqlalchemy.url")
engine = create_engine(url or "sqlite://")
with engine.connect() as connection:
    context.configure(
        connection=connection,
        target_metadata=SQLModel.metadata,
        render_as_batch=True,  # SQLite alters a table by copying it
        compare_type=True,
        render_item=_render,
    )
    with context.begin_transaction():
        context.run_migrations()
engine.dispose()
