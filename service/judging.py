"""From the store to findings: series and changes in, verdicts out, under a frozen model of the fleet."""

from __future__ import annotations

import json
from collections.abc import Mapping
from dataclasses import dataclass
from datetime import datetime

from trimkeep.config.cards import airframe_folders, load_card
from trimkeep.config.errors import SettingsError
from trimkeep.config.settings import FleetSettings
from trimkeep.detectors.history.fleet_model import FleetModel, fit_fleet_model, refit_due
from trimkeep.detectors.history.judge import judge_fleet
from trimkeep.detectors.history.model import Change, Finding, Series
from trimkeep.detectors.registry import load_registry
from trimkeep.service.changes import load_changes
from trimkeep.service.store.connection import Store
from trimkeep.service.store.findings import FindingChanges, save_findings
from trimkeep.service.store.models import load_model, save_model
from trimkeep.service.store.mutes import lift_mutes
from trimkeep.service.store.series import load_series

MODEL_NAME = "fleet"


@dataclass(frozen=True, slots=True)
class Judgement:
    """What one judging looked at, and what it changed in the store."""

    series: tuple[Series, ...]
    changes: tuple[Change, ...]
    findings: tuple[Finding, ...]
    model_version: str
    differences: FindingChanges


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
    specs = [detector.spec for detector in load_registry()]
    series = load_series(store, specs, card_thresholds(fleet))
    changes = load_changes(store, fleet.time_zone)
    model = current_model(store, fleet, series, changes, now)
    findings = judge_fleet(series, changes, model, fleet.settings.judge)
    differences = save_findings(store, findings, now)
    lift_mutes(store, now)
    return Judgement(series, changes, findings, model.version, differences)


def current_model(
    store: Store,
    fleet: FleetSettings,
    series: tuple[Series, ...],
    changes: tuple[Change, ...],
    now: datetime,
) -> FleetModel:
    """The frozen model, fitted anew when the fleet has grown by the share the settings name."""
    frozen = load_model(store, MODEL_NAME)
    flights = len({(one.airframe, point.flight_id) for one in series for point in one.points})
    if frozen is not None:
        try:
            model = FleetModel.from_json(json.dumps(frozen.content))
        except ValueError:
            # Written by an earlier version of the program: the rule is to fit anew.
            model = FleetModel()
        if model.n_flights and not refit_due(model, flights, fleet.settings.judge.refit_growth):
            return model
    model = fit_fleet_model(series, changes)
    save_model(store, MODEL_NAME, json.loads(model.to_json()), now)
    return model


def card_thresholds(fleet: FleetSettings) -> Mapping[str, Mapping[str, float]]:
    """Airframe to its own material changes; an unreadable card has those of the fleet."""
    thresholds: dict[str, Mapping[str, float]] = {}
    for folder in airframe_folders(fleet):
        try:
            card = load_card(fleet, folder)
        except SettingsError:
            thresholds[folder.name] = fleet.settings.thresholds
            continue
        thresholds[card.id] = card.thresholds
    return thresholds
