"""What was learned from the fleet, frozen: each fit is a new version, and old ones stay."""

from __future__ import annotations

import hashlib
import json
from collections.abc import Mapping
from dataclasses import dataclass
from datetime import datetime
from typing import Any

from trimkeep.service.store.connection import Store, unit_of_work
from trimkeep.service.store.values import aware, canonical_json, first_row, to_store


@dataclass(frozen=True, slots=True)
class FrozenModel:
    """One version of one model; `content` is what was fitted, as plain JSON values."""

    name: str
    version: int
    made_at: datetime
    sha256: str
    content: Mapping[str, Any]


_LAST = """
SELECT name, version, made_at, sha256, body FROM fleet_model WHERE name = ? ORDER BY version DESC LIMIT 1
"""
_INSERT = "INSERT INTO fleet_model VALUES (?, ?, ?, ?, ?)"


def load_model(store: Store, name: str) -> FrozenModel | None:
    """The newest version; None before the first fit."""
    with unit_of_work(store) as connection:
        row = first_row(connection, _LAST, [name])
    if row is None:
        return None
    return FrozenModel(row[0], row[1], aware(row[2]), row[3], json.loads(row[4]))


def save_model(store: Store, name: str, content: Mapping[str, Any], made_at: datetime) -> FrozenModel:
    """Freeze a fit as the next version; the same content again is no new version."""
    body = canonical_json(content)
    sha256 = hashlib.sha256(body.encode()).hexdigest()
    with unit_of_work(store) as connection:
        row = first_row(connection, _LAST, [name])
        if row is not None and row[3] == sha256:
            return FrozenModel(name, row[1], aware(row[2]), sha256, content)
        version = 1 if row is None else row[1] + 1
        connection.execute(_INSERT, [name, version, to_store(made_at), sha256, body])
    return FrozenModel(name, version, made_at, sha256, content)
