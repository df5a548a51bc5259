"""An export as a file, written as it is read: CSV, or Parquet where ``pyarrow`` is installed."""

from __future__ import annotations

import csv
import io
import json
from collections.abc import Iterator, Sequence
from importlib import metadata, util
from typing import Any

import numpy as np

from service.shop.said import say
from service.store.errors import BadInput
from service.store.exporting import Chunk, Column, Export

__all__ = ["FORMATS", "as_csv", "as_parquet", "file_name", "written"]

FORMATS = {"csv": "text/csv; charset=utf-8", "parquet": "application/vnd.apache.parquet"}

ROW_GROUP = 50_000
"""Rows of a Parquet row group; enough that its columns pack well."""


def written(export: Export, file_format: str) -> Iterator[bytes]:
    """Return the file piece by piece.

    Raises
    ------
    BadInput
        Naming ``format``: unknown, or its library is missing. Raised before anything is written.
    """
    if file_format == "csv":
        return as_csv(export)
    if file_format != "parquet":
        raise BadInput(
            "format",
            say(
                "{value!r} is not one of {known}",
                value=file_format,
                known=", ".join(FORMATS),
            ),
        )
    if util.find_spec("pyarrow") is None:
        raise BadInput(
            "format",
            say("parquet needs pyarrow, which is not installed: pip install 'boothglass[parquet]'"),
        )
    return as_parquet(export)


def file_name(export: Export, file_format: str) -> str:
    """Return a name for the file, from what is in it."""
    days = f"{export.from_at:%Y-%m-%d}_{export.to_at:%Y-%m-%d}"
    return f"{export.place}_{export.resolution}_{days}.{file_format}"


def titled(column: Column) -> str:
    """Return a column's title with its unit: ``air_c [°C]``."""
    return column.name if column.unit is None else f"{column.name} [{column.unit}]"


def as_csv(export: Export) -> Iterator[bytes]:
    """Yield a CSV (RFC 4180, UTF-8): instants in ISO 8601 UTC, nothing where there is no value."""
    yield _lines([[titled(column) for column in export.columns]])
    for chunk in export.chunks():
        columns = [_as_text(column, chunk[column.name]) for column in export.columns]
        yield _lines(zip(*columns, strict=True))


def _lines(rows: Any) -> bytes:
    text = io.StringIO()
    csv.writer(text).writerows(rows)
    return text.getvalue().encode("utf-8")


def _as_text(column: Column, values: Sequence[Any]) -> Sequence[Any]:
    if column.kind == "instant":
        instants = np.array(values, dtype="datetime64[ms]")
        return [f"{at}Z" for at in np.datetime_as_string(instants).tolist()]
    if column.kind == "words":
        return ["unassessed" if words is None else " ".join(words) for words in values]
    return values


class _Sink(io.RawIOBase):
    """Takes what a writer writes, to be given on."""

    def __init__(self) -> None:
        super().__init__()
        self._parts: list[bytes] = []
        self._at = 0

    def writable(self) -> bool:
        """Say yes."""
        return True

    def tell(self) -> int:
        """Return how much was written."""
        return self._at

    def write(self, data: Any) -> int:
        """Take some."""
        part = bytes(data)
        self._parts.append(part)
        self._at += len(part)
        return len(part)

    def take(self) -> bytes:
        """Return what came since the last time."""
        found = b"".join(self._parts)
        self._parts.clear()
        return found


def as_parquet(export: Export) -> Iterator[bytes]:
    """Yield a Parquet file: units in each field's metadata, and where it is from in the file's."""
    import pyarrow as pa
    from pyarrow import parquet

    types = {
        "instant": pa.timestamp("ms", tz="UTC"),
        "text": pa.string(),
        "words": pa.list_(pa.string()),
        "number": pa.float64(),
        "count": pa.int64(),
    }
    fields = [
        pa.field(c.name, types[c.kind], metadata=None if c.unit is None else {"unit": c.unit})
        for c in export.columns
    ]
    schema = pa.schema(fields, metadata=_about(export))
    sink = _Sink()
    waiting: list[Any] = []
    with parquet.ParquetWriter(sink, schema) as writer:
        for chunk in export.chunks():
            waiting.append(_as_table(pa, schema, chunk))
            if sum(table.num_rows for table in waiting) >= ROW_GROUP:
                writer.write_table(pa.concat_tables(waiting).combine_chunks())
                waiting.clear()
                yield sink.take()
        if waiting:
            writer.write_table(pa.concat_tables(waiting).combine_chunks())
    yield sink.take()


def _as_table(pa: Any, schema: Any, chunk: Chunk) -> Any:
    arrays = [pa.array(chunk[field.name], type=field.type) for field in schema]
    return pa.Table.from_arrays(arrays, schema=schema)


def _about(export: Export) -> dict[str, str]:
    return {
        "made_by": f"Boothglass {metadata.version('boothglass')}",
        "place": export.place,
        "place_name": export.place_name,
        "sensors": json.dumps(export.sensors),
        "from": export.from_at.isoformat(),
        "to": export.to_at.isoformat(),
        "resolution": export.resolution,
        "corrections": json.dumps([dict(one) for one in export.corrections]),
    }
