"""Every cause shows at its moderate size, in a figure that stays quiet on a healthy flight."""

from __future__ import annotations

from functools import cache
from pathlib import Path

import pytest

from trimkeep.sample_fleet.faults import FAULT_KINDS, Fault
from trimkeep.sample_fleet.flown import Flown
from trimkeep.sample_fleet.signature_figures import show_flight
from trimkeep.sample_fleet.signatures import SIGNATURES, Signature, draw, table_row


@cache
def shown(*faults: Fault, seed: int = 11) -> Flown:
    return show_flight(*faults, seed=seed)


def test_every_kind_of_fault_has_a_signature() -> None:
    assert {signature.fault.kind for signature in SIGNATURES} == set(FAULT_KINDS)


@pytest.mark.parametrize("signature", SIGNATURES, ids=lambda signature: signature.name)
def test_the_figure_tells_the_cause(signature: Signature) -> None:
    usual = [signature.number(shown(seed=seed)) for seed in (11, 12, 13)]
    faulty = signature.number(shown(signature.fault))
    change = abs(faulty - usual[0])
    if signature.fault.kind == "no_effect_update":
        assert change < 0.05 * abs(usual[0])
        return
    # same air and noise: the change must be larger than healthy flights differ among themselves
    assert change > max(usual) - min(usual)


def test_a_plot_and_a_row_come_out(tmp_path: Path) -> None:
    path = tmp_path / "play.png"
    faulty = shown(SIGNATURES[0].fault)
    draw(SIGNATURES[0], shown(), faulty, path)
    assert path.read_bytes()[:4] == b"\x89PNG"
    assert table_row(SIGNATURES[0], shown(), faulty).count("|") == 7
