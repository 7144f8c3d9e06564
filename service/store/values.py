"""The store's edge: times to naive UTC and back, non-finite numbers to NULL, canonical JSON."""

from __future__ import annotations

import json
import math
from collections.abc import Sequence
from datetime import UTC, datetime
from typing import Any

import duckdb
import pyarrow as pa

Row = tuple[Any, ...]


def now_utc() -> datetime:
    """The present as the store keeps it: UTC without a zone mark."""
    return datetime.now(UTC).replace(tzinfo=None)


def to_store(at: datetime | None) -> datetime | None:
    """An aware time as the store keeps it. ValueError when it has no zone."""
    if at is None:
        return None
    if at.tzinfo is None:
        raise ValueError(f"time without a zone: {at}")
    return at.astimezone(UTC).replace(tzinfo=None)


def from_store(at: datetime | None) -> datetime | None:
    """A stored time as aware UTC."""
    return None if at is None else at.replace(tzinfo=UTC)


def aware(at: datetime) -> datetime:
    """A stored time that is never NULL, as aware UTC."""
    return at.replace(tzinfo=UTC)


def finite(value: float | None) -> float | None:
    """None for what is not a number; the engine would carry a NaN into every average."""
    return None if value is None or not math.isfinite(value) else float(value)


def readable(text: str) -> str:
    """Text that can be stored and printed: bytes of a file name that are no UTF-8 become `\\udce9`."""
    return text.encode("utf-8", "backslashreplace").decode("utf-8")


def readable_or_none(text: str | None) -> str | None:
    """`readable`, with None passed through."""
    return None if text is None else readable(text)


def canonical_json(value: Any) -> str:
    """One text per value: keys sorted, no spaces, so that equal things hash equally."""
    return json.dumps(value, sort_keys=True, separators=(",", ":"), ensure_ascii=False)


def first_row(connection: duckdb.DuckDBPyConnection, sql: str, values: Sequence[Any] = ()) -> Row | None:
    """The first row of a query, None when there is none.

    All rows are fetched: a result that is not read to its end holds the connection.
    """
    rows = connection.execute(sql, list(values)).fetchall()
    return rows[0] if rows else None


def insert_rows(
    connection: duckdb.DuckDBPyConnection, table: str, schema: pa.Schema, rows: Sequence[Row]
) -> None:
    """Add many rows at once.

    `table` is a name of ours, never a user's text. One bound statement per row takes ten times as long
    as handing over one Arrow table.
    """
    if not rows:
        return
    columns = list(zip(*rows, strict=True))
    arrays = [pa.array(column, field.type) for column, field in zip(columns, schema, strict=True)]
    connection.register("new_rows", pa.table(arrays, schema=schema))
    try:
        names = ", ".join(schema.names)
        connection.execute(f"INSERT INTO {table} ({names}) SELECT {names} FROM new_rows")
    finally:
        connection.unregister("new_rows")
