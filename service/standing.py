"""What the last judging left, as the store has it now: for whoever shows or keeps it, and judges nothing."""

from __future__ import annotations

import json
from collections.abc import Collection

from trimkeep.config.settings import FleetSettings
from trimkeep.detectors.history.fleet_model import FleetModel
from trimkeep.service.card_thresholds import card_thresholds
from trimkeep.service.changes import load_changes
from trimkeep.service.judging import MODEL_NAME, Judgement
from trimkeep.service.page_books import SPECS
from trimkeep.service.store.connection import Store
from trimkeep.service.store.findings import FindingChanges, load_findings
from trimkeep.service.store.models import load_model
from trimkeep.service.store.series import load_series


def standing_judgement(
    store: Store, fleet: FleetSettings, airframes: Collection[str] | None = None
) -> Judgement:
    """What the last judging left, as the store has it now; None means of the whole fleet."""
    return Judgement(
        series=load_series(store, SPECS, card_thresholds(fleet), airframes),
        changes=load_changes(store, fleet.time_zone, airframes),
        findings=load_findings(store),
        model_version=_model_version(store),
        differences=FindingChanges(),
        whole=airframes is None,
    )


def _model_version(store: Store) -> str:
    frozen = load_model(store, MODEL_NAME)
    if frozen is None:
        return "none"
    try:
        return FleetModel.from_json(json.dumps(frozen.content)).version
    except ValueError:
        # An earlier version of the program fitted it; the next judging fits anew.
        return "none"
