"""Bringing the schema up to date: numbered files, each in one transaction with its own row."""

from __future__ import annotations

import hashlib
from dataclasses import dataclass
from importlib import resources
from pathlib import Path

import duckdb

from trimkeep.config.errors import StoreDamaged, StoreTooNew
from trimkeep.service.store.values import first_row, now_utc

_TABLE = """
CREATE TABLE IF NOT EXISTS schema_migration (
    number INTEGER NOT NULL,
    name VARCHAR NOT NULL,
    sha256 VARCHAR NOT NULL,
    applied_at TIMESTAMP NOT NULL
);
COMMENT ON TABLE schema_migration IS 'What made this schema, in order; what was applied never changes.';
COMMENT ON COLUMN schema_migration.number IS 'From 1.';
COMMENT ON COLUMN schema_migration.name IS 'File.';
COMMENT ON COLUMN schema_migration.sha256 IS 'Hash of its text.';
COMMENT ON COLUMN schema_migration.applied_at IS 'When it was applied.'
"""
_APPLIED = "SELECT number, name, sha256 FROM schema_migration ORDER BY number"
_EXISTS = "SELECT count(*) FROM information_schema.tables WHERE table_name = 'schema_migration'"
_RECORD = "INSERT INTO schema_migration VALUES (?, ?, ?, ?)"


@dataclass(frozen=True, slots=True)
class Migration:
    """One file of `migrations/`; applied files never change, which their hash shows."""

    number: int
    name: str
    sql: str

    @property
    def sha256(self) -> str:
        """Hash of the text."""
        return hashlib.sha256(self.sql.encode()).hexdigest()


def shipped() -> tuple[Migration, ...]:
    """The migrations of this version, in order."""
    folder = resources.files("trimkeep.service").joinpath("store/migrations")
    found = [
        Migration(int(entry.name.split("_")[0]), entry.name, entry.read_text(encoding="utf-8"))
        for entry in folder.iterdir()
        if entry.name.endswith(".sql")
    ]
    return tuple(sorted(found, key=lambda migration: migration.number))


def migrate(
    connection: duckdb.DuckDBPyConnection, path: Path, migrations: tuple[Migration, ...] | None = None
) -> None:
    """Apply what is missing.

    Parameters
    ----------
    connection : DuckDBPyConnection
        Without an open transaction.
    path : Path
        For messages.
    migrations : tuple of Migration or None
        None means those shipped.

    Raises
    ------
    StoreTooNew
        The store has a migration this version does not know.
    StoreDamaged
        A migration that was applied reads differently today.
    """
    known = shipped() if migrations is None else migrations
    applied = _applied(connection)
    if len(applied) > len(known):
        raise StoreTooNew(
            f"was written by a newer version (schema {applied[-1][0]}; known here: {known[-1].number})",
            subject=str(path),
            next_step="Install the newer trimkeep again, or give another --state folder",
        )
    for (number, name, sha256), migration in zip(applied, known, strict=False):
        if (number, sha256) != (migration.number, migration.sha256):
            raise StoreDamaged(
                f"was made with another text of {name}",
                subject=str(path),
                next_step="Use the released version of trimkeep that made this store",
            )
    for migration in known[len(applied) :]:
        _apply(connection, migration)


def _applied(connection: duckdb.DuckDBPyConnection) -> list[tuple[int, str, str]]:
    row = first_row(connection, _EXISTS)
    return connection.execute(_APPLIED).fetchall() if row and row[0] else []


def _apply(connection: duckdb.DuckDBPyConnection, migration: Migration) -> None:
    connection.begin()
    try:
        connection.execute(_TABLE)
        connection.execute(migration.sql)
        connection.execute(_RECORD, [migration.number, migration.name, migration.sha256, now_utc()])
        connection.commit()
    except BaseException:
        connection.rollback()
        raise
