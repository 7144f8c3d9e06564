"""Findings keep their identity, their first date and people's answers; their history is only added to."""

from __future__ import annotations

from dataclasses import replace
from datetime import UTC, datetime, timedelta
from pathlib import Path

import pytest

from trimkeep.config.errors import UsageError
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
from trimkeep.service.store.audit import load_records
from trimkeep.service.store.connection import open_store
from trimkeep.service.store.digests import DigestRow, load_digests, made_until, save_digest
from trimkeep.service.store.finding_codec import finding_from_json, finding_to_json
from trimkeep.service.store.findings import (
    answer_finding,
    load_finding_events,
    load_findings,
    save_findings,
)
from trimkeep.service.store.models import load_model, save_model

DAY = datetime(2026, 3, 14, 10, tzinfo=UTC)
CHANGE = Change(
    "heron-01:abc-1",
    "heron-01",
    DAY,
    5,
    (
        ChangeItem("firmware", "", "4.1", "4.2", True, "Ann", "ü"),
        ChangeItem("parameters", "X", "1", "2", False),
    ),
)
FINDING = Finding(
    id="heron-01/altitude_error_rms_m/held_level/known_change/abc-1",
    scope="airframe",
    airframes=("heron-01",),
    metric="altitude_error_rms_m",
    family="altitude_hold",
    context="held_level",
    kind="known_change",
    verdict=Verdict.WORSE,
    tier=Tier.CALLED,
    change=CHANGE,
    effect=Effect(1.5, 0.1 + 0.2, 0.1, 2.0, "m", 1.0, 1.5),
    flights_before=8,
    flights_after=6,
    flights_needed=None,
    e_value=123.456,
    opened_at=DAY,
    updated_at=DAY,
    likely_causes=(LikelyCause("loop_gain", 0.7, ("a",), ("b",), "c"),),
    down_weighted=("x-1",),
    evidence_flights=("y-1", "y-2"),
    separating=Separating("heron-01", CHANGE.items[:1], 6),
)
PLAIN = replace(
    FINDING,
    id="other",
    change=None,
    effect=None,
    e_value=None,
    kind="drift",
    likely_causes=(),
    separating=None,
)


@pytest.mark.parametrize("finding", [FINDING, PLAIN])
def test_json_and_back(finding: Finding) -> None:
    assert finding_from_json(finding_to_json(finding)) == finding


def test_the_codec_knows_every_field() -> None:
    text = finding_to_json(FINDING)
    for kind in (Finding, Change, ChangeItem, Effect, LikelyCause, Separating):
        for name in kind.__dataclass_fields__:
            assert f'"{name}":' in text, f"{kind.__name__}.{name} is not stored"


def test_life_of_a_finding(tmp_path: Path) -> None:
    store = open_store(tmp_path)
    assert save_findings(store, [FINDING, PLAIN], DAY).opened == (FINDING.id, "other")
    later = DAY + timedelta(days=1)
    same = replace(FINDING, opened_at=later, updated_at=later)
    assert save_findings(store, [same, PLAIN], later) == type(save_findings(store, [same, PLAIN], later))()
    moved = replace(FINDING, opened_at=later, updated_at=later, flights_after=7)
    assert save_findings(store, [moved, PLAIN], later).changed == (FINDING.id,)
    assert load_findings(store)[0].opened_at == DAY
    assert save_findings(store, [moved], later).gone == ("other",)
    assert [finding.id for finding in load_findings(store)] == [FINDING.id]
    assert len(load_findings(store, with_gone=True)) == 2
    assert save_findings(store, [moved, PLAIN], later).returned == ("other",)
    kinds = [(event.finding_id == "other", event.kind) for event in load_finding_events(store)]
    assert kinds == [
        (False, "opened"),
        (True, "opened"),
        (False, "changed"),
        (True, "gone"),
        (True, "returned"),
    ]
    assert [event.seq for event in load_finding_events(store)] == [1, 2, 3, 4, 5]


def test_an_answer_stands_and_is_in_the_audit_chain(tmp_path: Path) -> None:
    store = open_store(tmp_path)
    save_findings(store, [FINDING], DAY)
    answer_finding(store, FINDING.id, "acknowledged", who="Ann", note="servo ordered", at=DAY)
    save_findings(store, [replace(FINDING, flights_after=9)], DAY)
    (finding,) = load_findings(store)
    assert (finding.status, finding.flights_after) == ("acknowledged", 9)
    (record,) = load_records(store)
    assert (record.kind, record.airframe, record.content["who"]) == ("finding_answered", "heron-01", "Ann")
    assert [event.kind for event in load_finding_events(store, FINDING.id)] == [
        "opened",
        "answered",
        "changed",
    ]
    save_findings(store, [replace(FINDING, status="resolved")], DAY)
    assert load_findings(store)[0].status == "resolved"
    with pytest.raises(UsageError, match="no such finding"):
        answer_finding(store, "nonsense", "muted", who="Ann", note="", at=DAY)


def test_judging_one_airframe_leaves_the_others_findings(tmp_path: Path) -> None:
    store = open_store(tmp_path)
    other = replace(PLAIN, airframes=("heron-02",))
    save_findings(store, [FINDING, other], DAY)
    assert save_findings(store, [], DAY, airframes=["heron-01"]).gone == (FINDING.id,)
    assert load_findings(store) == (other,)
    with pytest.raises(ValueError, match="same id"):
        save_findings(store, [FINDING, FINDING], DAY)


def test_a_period_has_one_digest_of_a_schedule(tmp_path: Path) -> None:
    store = open_store(tmp_path)
    digest = DigestRow("weekly", DAY - timedelta(days=7), DAY, DAY, "a.html", "0" * 64, 2)
    assert made_until(store, "weekly") is None
    assert save_digest(store, digest)
    assert not save_digest(store, digest)
    by_hand = replace(digest, schedule="")
    assert save_digest(store, by_hand)
    assert save_digest(store, by_hand)
    assert len(load_digests(store)) == 3
    assert made_until(store, "weekly") == DAY


def test_a_model_is_frozen_and_versioned(tmp_path: Path) -> None:
    store = open_store(tmp_path)
    assert load_model(store, "fleet") is None
    first = save_model(store, "fleet", {"a": [1.5, None], "b": "ü"}, DAY)
    assert save_model(store, "fleet", {"b": "ü", "a": [1.5, None]}, DAY + timedelta(days=1)) == first
    second = save_model(store, "fleet", {"a": []}, DAY)
    assert (first.version, second.version) == (1, 2)
    assert load_model(store, "fleet") == second
