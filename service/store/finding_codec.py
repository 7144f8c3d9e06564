"""Findings to JSON and back, exactly."""

from __future__ import annotations

import json
from collections.abc import Mapping
from datetime import datetime
from typing import Any

from trimkeep.detectors.history.model import (
    Change,
    ChangeItem,
    Effect,
    Finding,
    LikelyCause,
    Separating,
    Tier,
    Verdict,
)


def finding_to_json(finding: Finding) -> str:
    """The whole finding as canonical text."""
    return json.dumps(finding_to_dict(finding), sort_keys=True, separators=(",", ":"), ensure_ascii=False)


def finding_to_dict(finding: Finding) -> dict[str, Any]:
    """The whole finding as plain values; times in ISO form."""
    return {
        "id": finding.id,
        "scope": finding.scope,
        "airframes": list(finding.airframes),
        "metric": finding.metric,
        "family": finding.family,
        "context": finding.context,
        "kind": finding.kind,
        "verdict": str(finding.verdict),
        "tier": str(finding.tier),
        "change": None if finding.change is None else _change_to_dict(finding.change),
        "effect": None if finding.effect is None else _effect_to_dict(finding.effect),
        "flights_before": finding.flights_before,
        "flights_after": finding.flights_after,
        "flights_needed": finding.flights_needed,
        "e_value": finding.e_value,
        "opened_at": finding.opened_at.isoformat(),
        "updated_at": finding.updated_at.isoformat(),
        "likely_causes": [_cause_to_dict(cause) for cause in finding.likely_causes],
        "down_weighted": list(finding.down_weighted),
        "evidence_flights": list(finding.evidence_flights),
        "differing": list(finding.differing),
        "separating": None if finding.separating is None else _separating_to_dict(finding.separating),
        "status": finding.status,
    }


def finding_from_json(text: str) -> Finding:
    """The inverse of `finding_to_json`."""
    body: Mapping[str, Any] = json.loads(text)
    return Finding(
        id=body["id"],
        scope=body["scope"],
        airframes=tuple(body["airframes"]),
        metric=body["metric"],
        family=body["family"],
        context=body["context"],
        kind=body["kind"],
        verdict=Verdict(body["verdict"]),
        tier=Tier(body["tier"]),
        change=None if body["change"] is None else _change_from_dict(body["change"]),
        effect=None if body["effect"] is None else Effect(**body["effect"]),
        flights_before=body["flights_before"],
        flights_after=body["flights_after"],
        flights_needed=body["flights_needed"],
        e_value=body["e_value"],
        opened_at=datetime.fromisoformat(body["opened_at"]),
        updated_at=datetime.fromisoformat(body["updated_at"]),
        likely_causes=tuple(_cause_from_dict(cause) for cause in body["likely_causes"]),
        down_weighted=tuple(body["down_weighted"]),
        evidence_flights=tuple(body["evidence_flights"]),
        differing=tuple(body.get("differing", ())),
        separating=_separating_from_dict(body["separating"]) if body.get("separating") else None,
        status=body["status"],
    )


def _effect_to_dict(effect: Effect) -> dict[str, Any]:
    return {name: getattr(effect, name) for name in Effect.__dataclass_fields__}


def _change_to_dict(change: Change) -> dict[str, Any]:
    return {
        "id": change.id,
        "airframe": change.airframe,
        "at": change.at.isoformat(),
        "first_order": change.first_order,
        "items": [_item_to_dict(item) for item in change.items],
    }


def _item_to_dict(item: ChangeItem) -> dict[str, Any]:
    return {name: getattr(item, name) for name in ChangeItem.__dataclass_fields__}


def _separating_to_dict(separating: Separating) -> dict[str, Any]:
    return {
        "airframe": separating.airframe,
        "undo": [_item_to_dict(item) for item in separating.undo],
        "flights": separating.flights,
    }


def _separating_from_dict(body: Mapping[str, Any]) -> Separating:
    undo = tuple(ChangeItem(**item) for item in body["undo"])
    return Separating(body["airframe"], undo, body["flights"])


def _change_from_dict(body: Mapping[str, Any]) -> Change:
    return Change(
        id=body["id"],
        airframe=body["airframe"],
        at=datetime.fromisoformat(body["at"]),
        first_order=body["first_order"],
        items=tuple(ChangeItem(**item) for item in body["items"]),
    )


def _cause_to_dict(cause: LikelyCause) -> dict[str, Any]:
    return {
        "cause": cause.cause,
        "probability": cause.probability,
        "evidence_for": list(cause.evidence_for),
        "evidence_against": list(cause.evidence_against),
        "next_check": cause.next_check,
    }


def _cause_from_dict(body: Mapping[str, Any]) -> LikelyCause:
    return LikelyCause(
        body["cause"],
        body["probability"],
        tuple(body["evidence_for"]),
        tuple(body["evidence_against"]),
        body["next_check"],
    )
