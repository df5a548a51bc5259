"""Draft a migration from what changed in ``tables`` since the newest one."""

import sys
import tempfile
from pathlib import Path

from alembic import command

from service.store.db import alembic_config, sqlite_url


def main() -> None:
    """Upgrade an empty database to the newest migration and write the difference."""
    with tempfile.TemporaryDirectory() as folder:
        config = alembic_config(sqlite_url(Path(folder)))
        command.upgrade(config, "head")
        number = len(list((Path(__file__).parent / "versions").glob("[0-9]*.py"))) + 1
        command.revision(config, sys.argv[1], autogenerate=True, rev_id=f"{number:04d}")


if __name__ == "__main__":
    main()
