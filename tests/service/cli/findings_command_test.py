"""`trimkeep findings` and `trimkeep explain`: what stands in the table, what is counted, what adds up."""

from __future__ import annotations

import io
import json
import re
from contextlib import redirect_stdout
from typing import Any

import pytest

from tests.service.small_logs import fleet_in
from tests.service.synthetic_store import airframe_name, fill
from trimkeep.service.cli.main import run
from trimkeep.service.store.connection import open_store

Capture = pytest.CaptureFixture[str]


@pytest.fixture(scope="module")
def folder(tmp_path_factory: pytest.TempPathFactory) -> str:
    """Eight airframes whose firmware changed; heron-0000 and heron-0007 hold altitude worse since."""
    fleet = fleet_in(tmp_path_factory.mktemp("told"))
    for number in range(8):
        (fleet.folder / airframe_name(number)).mkdir(exist_ok=True)
    fill(open_store(fleet.state), 8, 30, families=("altitude_hold", "energy", "linkage", "trim"))
    return str(fleet.folder)


def printed(capsys: Capture, *arguments: str) -> str:
    capsys.readouterr()
    assert run(list(arguments)) == 0
    return capsys.readouterr().out


@pytest.fixture(scope="module")
def every(folder: str) -> list[dict[str, Any]]:
    """What the command prints as JSON."""
    with redirect_stdout(io.StringIO()) as said:
        assert run(["findings", folder, "--format", "json"]) == 0
    found: list[dict[str, Any]] = json.loads(said.getvalue())
    return found


def test_the_table_counts_what_it_leaves_out(
    folder: str, every: list[dict[str, Any]], capsys: Capture
) -> None:
    said = printed(capsys, "findings", folder)
    rows = [line for line in said.splitlines() if re.match(r"[0-9a-f]{10} ", line)]
    spoken = [one for one in every if one["verdict"] in ("attention", "worse", "better")]
    same = sum(one["verdict"] == "no_material_change" for one in every)
    early = sum(one["verdict"] == "too_early" for one in every)
    assert len(rows) == len(spoken) > 0 and same > 0
    assert said.splitlines()[-1] == (
        f"Not listed: {same} without a material change, {early} too early to tell. See them with --all."
    )
    whole = printed(capsys, "findings", folder, "--all")
    assert len(whole.splitlines()) == len(every) + 2 and "Not listed" not in whole


def test_one_airframe_and_one_verdict(folder: str, capsys: Capture) -> None:
    said = printed(capsys, "findings", folder, "--airframe", "heron-0000", "--verdict", "worse")
    rows = said.splitlines()[2:]
    assert rows and all(row.split()[1] == "worse" for row in rows)
    # its own, and those over several airframes of which it is one
    assert all("heron-0000" in row or " airframes " in row for row in rows)
    assert any("heron-0000 " in row for row in rows)
    assert printed(capsys, "findings", folder, "--verdict", "attention") == "Nothing is worse or better.\n"


def test_the_working_adds_up_to_the_verdict(
    folder: str, every: list[dict[str, Any]], capsys: Capture
) -> None:
    """Worked again from the printed table alone, with nothing but a weighted mean."""
    one = next(f for f in every if f["verdict"] == "worse" and f.get("airframe") == "heron-0000")
    said = printed(capsys, "explain", folder, one["id"])
    flights = [row for row in map(str.split, said.splitlines()) if row[1:2] in (["before"], ["after"])]
    assert {len(row) for row in flights} == {9}
    figure = {row[0]: float(row[1]) for row in map(str.split, said.splitlines()) if row[:1] in STEPS}
    means = {}
    for side in ("before", "after"):
        rows = [row for row in flights if row[1] == side]
        weights = [float(row[6]) * float(row[7]) for row in rows]
        means[side] = sum(float(row[5]) * w for row, w in zip(rows, weights, strict=True)) / sum(weights)
    assert figure["level_before"] == pytest.approx(means["before"], rel=1e-4, abs=1e-6)
    assert figure["step"] == pytest.approx(means["after"] - means["before"], rel=1e-4, abs=1e-6)
    assert figure["t"] == pytest.approx(figure["step"] / figure["standard_error"], rel=1e-4)
    assert figure["log_e"] > figure["log_limit"]
    assert figure["low"] == pytest.approx(one["effect"]["low"], rel=1e-4)


STEPS = [["level_before"], ["step"], ["standard_error"], ["t"], ["log_e"], ["log_limit"], ["low"]]


def test_what_cannot_be_explained_so_is_said(
    folder: str, every: list[dict[str, Any]], capsys: Capture
) -> None:
    capsys.readouterr()
    assert run(["explain", folder, "zz"]) == 2
    assert "is no finding's id" in capsys.readouterr().err
    fleet_wide = next((f for f in every if f["scope"] == "fleet"), None)
    assert fleet_wide is not None
    assert run(["explain", folder, fleet_wide["id"]]) == 2
    assert "Only a known change on one airframe" in capsys.readouterr().err
