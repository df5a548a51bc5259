"""How Alembic meets our tables."""

from typing import Literal

from alembic import context
from sqlalchemy import Connection, create_engine
from sqlmodel import SQLModel
from sqlmodel.sql.sqltypes import AutoString

from service.store import signin_tables, tables  # noqa: F401 -- fills the metadata
from service.store.types import Scaled, UtcMillis


def _render(kind: str, item: object, _context: object) -> str | Literal[False]:
    """Write plain column types, so that an old migration does not change with our classes."""
    if kind == "type" and isinstance(item, UtcMillis):
        return "sa.BigInteger()"
    if kind == "type" and isinstance(item, Scaled):
        return "sa.Integer()"
    if kind == "type" and isinstance(item, AutoString):
        return f"sa.String(length={item.length})"
    return False


def _run(connection: Connection | None, url: str | None) -> None:
    context.configure(
        connection=connection,
        url=url,
        literal_binds=connection is None,  # written out as SQL, nothing can be bound
        target_metadata=SQLModel.metadata,
        render_as_batch=True,  # SQLite alters a table by copying it
        compare_type=True,
        render_item=_render,
    )
    with context.begin_transaction():
        context.run_migrations()


address = context.config.get_main_option("sqlalchemy.url") or "sqlite://"
given = context.config.attributes.get("connection")
if context.is_offline_mode():
    _run(None, address)
elif given is not None:
    _run(given, None)  # the service's own upgrade: its connection, its transaction
else:
    engine = create_engine(address)
    try:
        with engine.connect() as opened:
            _run(opened, None)
    finally:
        engine.dispose()
