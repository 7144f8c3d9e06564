"""Whether anything that pages show has changed, and of which airframes: how far what only grows has come."""

from __future__ import annotations

from dataclasses import dataclass

from trimkeep.service.store.connection import Store, unit_of_work
from trimkeep.service.store.values import first_row


@dataclass(frozen=True, slots=True)
class Pulse:
    """Newest row of the audit chain, newest thing said of a finding, the model's version, flights."""

    recorded: int
    said: int
    model: int
    flights: int


_PULSE = """
SELECT
    (SELECT coalesce(max(seq), 0) FROM audit_record),
    (SELECT coalesce(max(seq), 0) FROM finding_event),
    (SELECT coalesce(max(version), 0) FROM fleet_model),
    (SELECT count(*) FROM flight)
"""


def store_pulse(store: Store) -> Pulse:
    """How far the store has come."""
    with unit_of_work(store) as connection:
        row = first_row(connection, _PULSE)
    assert row is not None
    return Pulse(*(int(one) for one in row))


_TOUCHED = """
SELECT airframe FROM audit_record WHERE seq > ?
UNION
SELECT finding.airframe FROM finding_event JOIN finding ON finding.id = finding_event.finding_id
WHERE finding_event.seq > ?
"""


def touched_since(store: Store, pulse: Pulse) -> frozenset[str]:
    """Airframes of which logs or work were recorded, or anything was said, since then."""
    with unit_of_work(store) as connection:
        rows = connection.execute(_TOUCHED, [pulse.recorded, pulse.said]).fetchall()
    return frozenset(row[0] for row in rows if row[0])
