"""What the detectors said of one flight, read back as they said it."""

from __future__ import annotations

from collections.abc import Sequence

from trimkeep.detectors.model import DetectorRun, DetectorSpec, Observation, Outcome
from trimkeep.service.store.connection import Store, unit_of_work

_RUNS = """
SELECT detector, version, outcome, reason, detail FROM detector_run
WHERE log_sha256 = ? AND number = ? ORDER BY detector
"""
_SEEN = """
SELECT detector, metric, context, value, standard_error, seconds, windows_s FROM observation
WHERE log_sha256 = ? AND number = ? ORDER BY detector, metric, context
"""


def load_runs(
    store: Store, sha256: str, number: int, specs: Sequence[DetectorSpec]
) -> tuple[DetectorRun, ...]:
    """The runs of one flight by detectors of today's versions, by detector; empty when there is none."""
    versions = {spec.id: spec.version for spec in specs}
    with unit_of_work(store) as connection:
        runs = connection.execute(_RUNS, [sha256, number]).fetchall()
        rows = connection.execute(_SEEN, [sha256, number]).fetchall()
    seen: dict[str, list[Observation]] = {}
    for detector, metric, context, value, error, seconds, bounds in rows:
        windows = tuple(zip(bounds[::2], bounds[1::2], strict=True))
        seen.setdefault(detector, []).append(Observation(metric, context, value, error, seconds, windows))
    return tuple(
        DetectorRun(detector, version, Outcome(outcome), tuple(seen.get(detector, ())), reason, detail)
        for detector, version, outcome, reason, detail in runs
        if versions.get(detector) == version
    )
