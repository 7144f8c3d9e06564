"""A finding for other programs: the published form, apart from the form it is stored in."""

from __future__ import annotations

from typing import Any

from trimkeep.detectors.history.model import Change, Effect, Finding, LikelyCause, Separating

SCHEMA = "trimkeep-finding-1"


def public_finding(finding: Finding) -> dict[str, Any]:
    """One finding as plain JSON values.

    `airframe` for one airframe, `airframes` for a finding of the fleet. Causes, evidence and checks
    are codes; times are ISO 8601 in UTC. `effect` bounds the difference after - before.
    """
    named: dict[str, Any] = (
        {"airframe": finding.airframes[0]}
        if finding.scope == "airframe" and len(finding.airframes) == 1
        else {"airframes": list(finding.airframes)}
    )
    return {
        "schema": SCHEMA,
        "id": finding.id,
        "scope": finding.scope,
        **named,
        "metric": finding.metric,
        "family": finding.family,
        "context": finding.context,
        "kind": finding.kind,
        "change": _change(finding.change) if finding.change is not None else None,
        "verdict": str(finding.verdict),
        "tier": str(finding.tier),
        "effect": _effect(finding.effect) if finding.effect is not None else None,
        "flights_before": finding.flights_before,
        "flights_after": finding.flights_after,
        "flights_needed": finding.flights_needed,
        "likely_causes": [_cause(one) for one in finding.likely_causes],
        "opened_at": finding.opened_at.isoformat(),
        "updated_at": finding.updated_at.isoformat(),
        "status": finding.status,
        **({"to_tell_apart": _separating(finding.separating)} if finding.separating is not None else {}),
        **({"airframes_that_differ": list(finding.differing)} if finding.differing else {}),
    }


def _separating(separating: Separating) -> dict[str, Any]:
    """What to take back, on which airframe, and how many flights then tell; null: none within a season."""
    return {
        "airframe": separating.airframe,
        "take_back": [{"kind": item.kind, "part": item.part, "to": item.before} for item in separating.undo],
        "flights": separating.flights,
    }


def _change(change: Change) -> dict[str, Any]:
    return {
        "id": change.id,
        "at": change.at.isoformat(),
        "kinds": list(change.kinds),
        "documented": change.documented,
        "before": [{"part": item.part, "value": item.before} for item in change.items],
        "after": [{"part": item.part, "value": item.after} for item in change.items],
    }


def _effect(effect: Effect) -> dict[str, Any]:
    return {
        "ratio": effect.ratio,
        "difference": effect.difference,
        "low": effect.low,
        "high": effect.high,
        "unit": effect.unit,
        "before": effect.before,
        "after": effect.after,
    }


def _cause(cause: LikelyCause) -> dict[str, Any]:
    return {
        "cause": cause.cause,
        "probability": cause.probability,
        "for": list(cause.evidence_for),
        "against": list(cause.evidence_against),
        "next_check": cause.next_check,
    }
