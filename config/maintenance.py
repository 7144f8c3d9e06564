"""Settings of the maintenance record: what an entry must hold, what is due when, how long it is kept."""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import Any

# What an entry can be asked to hold, each a question of 14 CFR 43.9(a).
RECORD_FIELDS = ("description", "done_at", "done_by", "approved_by", "certificate", "flight_hours")


def _setting(default: Any, help: str, *, choices: tuple[str, ...] = ()) -> Any:
    """A field with its documentation, in the form `config.settings` uses too."""
    metadata = {"help": help, "unit": "", "low": None, "high": None, "choices": choices}
    return field(default=default, metadata=metadata)


@dataclass(frozen=True, slots=True)
class MaintenanceSettings:
    """What an entry of the journal must hold."""

    required: tuple[str, ...] = _setting(
        ("description", "done_at", "done_by", "approved_by"),
        "What an entry must hold to be complete; each a question of 14 CFR 43.9(a) or 43.11.",
        choices=RECORD_FIELDS,
    )
