"""The plain fuzzing loop, briefly, and what fuzzing has found so far."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest

from tests.fuzz import seeds
from tests.fuzz.loop import fuzz
from tests.fuzz.targets import TARGETS, airframe_card, channel_map, journal, settings, table

KEPT = Path(__file__).parent / "kept"
EXECUTIONS = {"telemetry": 60, "frame_loops": 100, "whole_path": 8, "channel_proposal": 60}


@pytest.mark.parametrize("target", TARGETS)
def test_seeds_are_accepted_and_mutations_of_them_are_no_fault(target: str) -> None:
    function, sound = TARGETS[target]
    assert all(function(data) for data in sound)
    tally = fuzz(target, np.random.default_rng(11), executions=EXECUTIONS.get(target, 400))
    assert tally.found == ()


@pytest.mark.parametrize(
    ("before", "after"),
    [
        ("channel = 1", "channel = inf"),
        ("channel = 1", "channel = nan"),
        ("channel = 1", "channel = 1.5"),
        ("motors = 1", "motors = inf"),
        ("120.0", "nan"),
        ("span_m = 2.0", "span_m = 1e999"),
        ("mass_kg = 3.0", "mass_kg = " + "9" * 5000),
        ("mass_kg = 3.0", "mass_kg = " + "9" * 400),
        ("[modes]", '[modes]\n"\u00b2" = "manual"'),
        ("[modes]", "[modes]\n7 = []"),
        ("[modes]", f'[modes]\n{"7" * 5000} = "manual"'),
        ("altitude_error_rms_m = 0.8", "altitude_error_rms_m = 0"),
        ("span_m", 'id = ""\nspan_m'),
        ("span_m", "x = " + "[" * 100_000),
    ],
)
def test_cards_that_once_were_faults(before: str, after: str) -> None:
    assert not airframe_card(seeds.CARD.replace(before, after, 1).encode())


@pytest.mark.parametrize(
    "text",
    [
        "x = " + "[" * 100_000,
        "watch.still_s = nan",
        "watch.still_s = inf",
        "judge.level = nan",
        "ingest.workers = " + "9" * 5000,
        "judge.refit_growth = " + "9" * 400,
        'state = ""',
        'state = "."',
        'output = ".."',
        'output = "/"',
        'state = "\\u0000"',
        "thresholds.altitude_error_rms_m = nan",
        "thresholds.altitude_error_rms_m = -1",
        'time_zone = ""',
        'time_zone = "../UTC"',
        'time_zone = "\\u0000"',
        'digest.at = "99:99"',
        'digest.schedule = ["61 * * * *"]',
    ],
)
def test_settings_that_once_were_faults_or_must_not_pass(text: str) -> None:
    assert not settings(text.encode())


@pytest.mark.parametrize("unit", ["[[]]", "{}", "1", "1979-05-27"])
def test_a_unit_that_is_no_text(unit: str) -> None:
    assert not channel_map(seeds.CHANNEL_MAP.replace('"ms"', unit, 1).encode())


@pytest.mark.parametrize(
    "day", ["0001-01-01T00:00+14:00", "9999-12-31T23:59-12:00", "0001-01-01", "9999-12-31"]
)
def test_journal_days_that_no_zone_can_be_applied_to(day: str) -> None:
    assert not journal(seeds.JOURNAL.replace("2026-03-14", day, 1).encode())


def test_a_journal_of_empty_cells() -> None:
    assert journal(b",,,\n,,,\n")


def test_a_column_of_moments_where_numbers_belong() -> None:
    assert not table(b"time_s,pitch_deg\n0,2026-03-14\n1,2026-03-15\n")


def test_a_parquet_column_that_is_described_but_not_there() -> None:
    """Found by fuzzing: four flipped bytes of the file's end, one a column's kind."""
    assert not table((KEPT / "column_described_but_absent.parquet").read_bytes())
