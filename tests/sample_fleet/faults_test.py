"""Faults change what they say they change, and nothing else."""

from __future__ import annotations

from dataclasses import asdict

import pytest

from trimkeep.sample_fleet.airframes import AIRFRAMES
from trimkeep.sample_fleet.autopilot import defaults_for
from trimkeep.sample_fleet.faults import FAULT_KINDS, Condition, Fault, plant, truth_of

SETTINGS = defaults_for(AIRFRAMES["medium_twin"])


@pytest.mark.parametrize("kind", sorted(FAULT_KINDS))
def test_each_kind_is_planted_and_told(kind: str) -> None:
    described = FAULT_KINDS[kind]
    planted = plant(SETTINGS, (Fault(kind, described.moderate),))
    changed = planted.condition != Condition() or planted.flown != SETTINGS
    assert changed
    assert truth_of(planted)["faults"] == kind
    assert described.moderate != described.nothing
    # moderate lies between nothing and glaring, on one side
    assert abs(described.moderate - described.nothing) <= abs(described.glaring - described.nothing)


def test_a_firmware_update_can_hide_its_gains() -> None:
    open_, hidden = (
        plant(SETTINGS, (Fault("loop_gain", 0.5, loop="altitude", hidden=h),)) for h in (False, True)
    )
    assert open_.flown == hidden.flown
    assert open_.reported.alt_p == pytest.approx(0.5 * SETTINGS.alt_p)
    assert hidden.reported == SETTINGS


def test_only_the_named_loop_changes() -> None:
    planted = plant(SETTINGS, (Fault("loop_gain", 2.0, loop="roll"),))
    before, after = asdict(SETTINGS), asdict(planted.flown)
    assert {name for name in before if before[name] != after[name]} == {
        "roll_rate_p",
        "roll_rate_i",
        "roll_angle_p",
    }


def test_unknown_kinds_and_loops_are_refused() -> None:
    with pytest.raises(ValueError, match="unknown fault"):
        Fault("elevator_paly", 0.1)
    with pytest.raises(ValueError, match="unknown loop"):
        Fault("loop_gain", 2.0, loop="yaw")
