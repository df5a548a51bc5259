"""Writes down what a version of the tables may hold, for the test that every version is upgraded.

python tests/store/earlier/make.py 0008      after the migration has been released; then look at it
"""

from __future__ import annotations

import json
import sys
import tempfile
from pathlib import Path

sys.path.insert(0, str(Path(__file__).resolve().parents[2]))

import anyrows

from service.store.db import migrate, remade, sqlite_url

HERE = Path(__file__).parent


def main() -> None:
    """Fill tables of a version and write the rows down."""
    schema = sys.argv[1]
    with tempfile.TemporaryDirectory() as folder, remade(sqlite_url(Path(folder))) as connection:
        migrate(connection, schema)
        rows = anyrows.fill(connection)
    said = json.dumps(rows, indent=1, ensure_ascii=False, default=lambda raw: {"hex": raw.hex()})
    (HERE / f"{schema}.json").write_text(said + "\n", encoding="utf-8")


if __name__ == "__main__":
    main()
