"""From the store to findings: series and changes in, verdicts out, under a frozen model of the fleet."""

from __future__ import annotations

import hashlib
import json
from collections.abc import Collection, Mapping, Sequence
from dataclasses import asdict, dataclass
from datetime import datetime
from importlib.metadata import version

from trimkeep.config.settings import FleetSettings
from trimkeep.detectors.history.comparisons import Memory
from trimkeep.detectors.history.fleet_model import FleetModel, fit_fleet_model, refit_due
from trimkeep.detectors.history.judge import judge_part, judge_whole
from trimkeep.detectors.history.model import Change, Finding, Series
from trimkeep.detectors.model import DetectorSpec
from trimkeep.detectors.registry import load_registry
from trimkeep.service.card_thresholds import card_thresholds
from trimkeep.service.changes import load_changes
from trimkeep.service.store.connection import Store, kept_open
from trimkeep.service.store.findings import FindingChanges, load_findings, save_findings
from trimkeep.service.store.judgings import (
    WHOLE_FLEET,
    Progress,
    load_evidence_elsewhere,
    load_progress,
    save_judging,
)
from trimkeep.service.store.models import load_model, save_model
from trimkeep.service.store.mutes import lift_mutes
from trimkeep.service.store.series import load_series
from trimkeep.service.store.values import canonical_json

MODEL_NAME = "fleet"
_MEMORY = Memory()
"""What this process has worked out: a watcher judges after every flight, and most windows stay as they were.
It holds results by their numbers, so that stores and fleets cannot be mixed up."""


@dataclass(frozen=True, slots=True)
class Judgement:
    """What one judging looked at, and what it changed in the store.

    `whole`: all of the fleet was looked at, not only some airframes.
    """

    series: tuple[Series, ...]
    changes: tuple[Change, ...]
    findings: tuple[Finding, ...]
    model_version: str
    differences: FindingChanges
    whole: bool = True


def judge(store: Store, fleet: FleetSettings, now: datetime) -> Judgement:
    """Judge the whole fleet and keep what is said.

    Parameters
    ----------
    store : Store
    fleet : FleetSettings
    now : datetime
        Aware; the date under which what is new is kept.

    Returns
    -------
    Judgement
        Findings are a function of the stored flights and of the frozen model.
    """
    thresholds = card_thresholds(fleet)
    basis = _basis(fleet, thresholds)
    progress = load_progress(store)
    series = load_series(store, _specs(), thresholds)
    changes = load_changes(store, fleet.time_zone)
    model = current_model(store, fleet, series, changes, now)
    judged = judge_whole(series, changes, model, fleet.settings.judge, memory=_MEMORY)
    differences = save_findings(store, judged.findings, now)
    # Last, so that a crash before it has everything judged again, which changes nothing.
    save_judging(store, _owned(judged.evidence, series, changes), progress, basis, now)
    lift_mutes(store, now)
    return Judgement(series, changes, judged.findings, model.version, differences)


def judge_after(store: Store, fleet: FleetSettings, airframes: Collection[str], now: datetime) -> Judgement:
    """Judge these airframes only, within what stands for the rest of the fleet.

    What it costs depends on their own history, not on the size of the fleet. Findings over the fleet
    stand as the last judging of the whole left them; so do the tiers of the other airframes. When the
    fleet's model is due for a new fit, or detectors, settings or thresholds are others than then, the
    whole fleet is judged.

    Parameters
    ----------
    store, fleet
    airframes : collection of str
        Those with new logs or entries.
    now : datetime
        Aware.

    Returns
    -------
    Judgement
        `whole` says which of the two it was; series, changes and findings are those of the airframes
        that were judged.
    """
    thresholds = card_thresholds(fleet)
    basis = _basis(fleet, thresholds)
    with kept_open(store):
        progress = load_progress(store)
        model = _frozen_model(store)
        whole = model is None or progress.basis != basis or _refit_due(model, progress, fleet)
        if model is not None and not whole:
            series = load_series(store, _specs(), thresholds, airframes)
            changes = load_changes(store, fleet.time_zone, airframes)
            elsewhere = load_evidence_elsewhere(store, airframes)
            over_fleet = load_findings(store, scope="fleet")
    if model is None or whole:
        return judge(store, fleet, now)
    judged = judge_part(
        series,
        changes,
        model,
        fleet.settings.judge,
        elsewhere=elsewhere,
        over_fleet=over_fleet,
        memory=_MEMORY,
    )
    with kept_open(store):
        differences = save_findings(store, judged.findings, now, airframes)
        save_judging(store, _owned(judged.evidence, series, changes), progress, basis, now, airframes)
        lift_mutes(store, now)
    return Judgement(series, changes, judged.findings, model.version, differences, whole=False)


def judge_new(store: Store, fleet: FleetSettings, now: datetime, *, fresh: Collection[str] = ()) -> Judgement:
    """Judge what no judging knows of yet: the whole of a small fleet, the touched airframes of a large one.

    The setting `judge.whole_up_to` is where a fleet begins to be large. What a crash kept from being
    judged is found in the store, so nothing needs to be remembered between calls.

    Parameters
    ----------
    store, fleet, now
        As in `judge`.
    fresh : collection of str
        Airframes to be judged in any case: of logs just taken in, which another command may have judged
        meanwhile without telling anybody.
    """
    progress = load_progress(store)
    if progress.flights <= fleet.settings.judge.whole_up_to or progress.basis is None:
        return judge(store, fleet, now)
    return judge_after(store, fleet, {*progress.touched, *fresh}, now)


def _specs() -> list[DetectorSpec]:
    return [detector.spec for detector in load_registry()]


def _basis(fleet: FleetSettings, thresholds: Mapping[str, Mapping[str, float]]) -> str:
    """Stands for everything but flights, entries and model that findings are a function of."""
    told = {
        "program": version("trimkeep"),
        "detectors": [[spec.id, spec.version] for spec in _specs()],
        "settings": asdict(fleet.settings.judge),
        "thresholds": {name: dict(own) for name, own in thresholds.items() if own},
        "time_zone": fleet.time_zone,
    }
    return hashlib.sha256(canonical_json(told).encode()).hexdigest()


def _owned(
    evidence: Mapping[str, float], series: Sequence[Series], changes: Sequence[Change]
) -> dict[tuple[str, str], float]:
    """Evidence by the airframe it belongs to; that of a change over the fleet belongs to none.

    What is not of a known change is named after its airframe and, behind a bar, its window.
    """
    owners = {change.id: change.airframe for change in changes}
    airframes = {one.airframe for one in series}
    owned = {}
    for name, value in evidence.items():
        owner = owners.get(name, name.rpartition("|")[0])
        owned[owner if owner in airframes else WHOLE_FLEET, name] = value
    return owned


def _refit_due(model: FleetModel, progress: Progress, fleet: FleetSettings) -> bool:
    """Whether the whole is to be judged because it has grown.

    Rows are counted here, flights in `current_model`: two recordings of one flight are two rows. So that
    a fleet at the edge is not judged as a whole after every flight, it must also have grown since it was.
    """
    grown = progress.flights > progress.flights_then * (1.0 + fleet.settings.judge.refit_growth / 10.0)
    return grown and refit_due(model, progress.flights, fleet.settings.judge.refit_growth)


def _frozen_model(store: Store) -> FleetModel | None:
    """The model as it was last fitted; None when there is none that this version can read."""
    frozen = load_model(store, MODEL_NAME)
    if frozen is None:
        return None
    try:
        model = FleetModel.from_json(json.dumps(frozen.content))
    except ValueError:
        # Written by an earlier version of the program: the rule is to fit anew.
        return None
    return model if model.n_flights else None


def current_model(
    store: Store,
    fleet: FleetSettings,
    series: tuple[Series, ...],
    changes: tuple[Change, ...],
    now: datetime,
) -> FleetModel:
    """The frozen model, fitted anew when the fleet has grown by the share the settings name."""
    frozen = _frozen_model(store)
    flights = len({(one.airframe, point.flight_id) for one in series for point in one.points})
    if frozen is not None and not refit_due(frozen, flights, fleet.settings.judge.refit_growth):
        return frozen
    model = fit_fleet_model(series, changes)
    save_model(store, MODEL_NAME, json.loads(model.to_json()), now)
    return model
