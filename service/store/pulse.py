"""Whether anything that pages show has changed: how far each list that only grows has come."""

from __future__ import annotations

from trimkeep.service.store.connection import Store, unit_of_work
from trimkeep.service.store.values import first_row

_PULSE = """
SELECT
    (SELECT coalesce(max(seq), 0) FROM audit_record),
    (SELECT coalesce(max(seq), 0) FROM finding_event),
    (SELECT coalesce(max(version), 0) FROM fleet_model)
"""


def store_pulse(store: Store) -> tuple[int, int, int]:
    """Newest row of the audit chain, newest thing said of a finding, version of the fleet's model."""
    with unit_of_work(store) as connection:
        row = first_row(connection, _PULSE)
    assert row is not None
    return int(row[0]), int(row[1]), int(row[2])
