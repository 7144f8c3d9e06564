"""Every code has words, every word is used, every check has its caution."""

from __future__ import annotations

import re
import tomllib
from pathlib import Path
from string import Formatter

import pytest

from trimkeep.config.errors import ReportError
from trimkeep.detectors.history.model import Verdict
from trimkeep.detectors.model import Metric, Reason
from trimkeep.detectors.registry import DETECTORS
from trimkeep.reports.cautions import check_with_caution
from trimkeep.reports.wording import Words, load_words

ROOT = Path(__file__).parents[2]
WORDS = load_words()
CAUSES = (
    "linkage_play",
    "loop_gain",
    "rate_limit_too_high",
    "out_of_trim",
    "low_authority",
    "estimator_turn_error",
    "propeller_imbalance",
    "propulsion_loss",
    "wear",
    "tune_runaway",
    "armed_on_ground",
    "conditions",
    "unknown",
)
FAMILIES = [
    "altitude_hold",
    "oscillation",
    "loop_response",
    "trim",
    "rate_limits",
    "authority",
    "linkage",
    "attitude_estimate",
    "vibration",
    "energy",
    "tracking",
    "sensors",
    "ground_handling",
    "settings",
    "conditions",
]
JOURNAL_KINDS = [
    "firmware",
    "parameters",
    "servo",
    "linkage",
    "surface",
    "propeller",
    "motor",
    "speed_controller",
    "battery",
    "autopilot_board",
    "sensor",
    "balance",
    "trim",
    "structure",
    "payload",
    "calibration",
    "inspection",
    "other",
]
RULES = ROOT / "detectors" / "history" / "causes.toml"


@pytest.mark.parametrize(
    ("group", "codes"),
    [
        ("cause", CAUSES),
        ("family", FAMILIES),
        ("change_kind", JOURNAL_KINDS),
        ("verdict", [verdict.value for verdict in Verdict]),
        ("not_measured", [reason.value for reason in Reason]),
    ],
)
def test_every_code_has_words(group: str, codes: list[str]) -> None:
    assert [code for code in codes if not WORDS.knows(group, code)] == []


def codes_of(value: object, keys: frozenset[str]) -> set[str]:
    """Every string under some keys, however deep the table is."""
    found: set[str] = set()
    if isinstance(value, dict):
        for key, inner in value.items():
            if key in keys:
                found |= {inner} if isinstance(inner, str) else set(inner)
            else:
                found |= codes_of(inner, keys)
    elif isinstance(value, list):
        for inner in value:
            found |= codes_of(inner, keys)
    return {one for one in found if isinstance(one, str)}


def test_every_check_of_the_judge_has_words() -> None:
    table = tomllib.loads(RULES.read_text(encoding="utf-8"))
    checks = codes_of(table, frozenset({"next_check", "check"}))
    assert checks
    assert [code for code in sorted(checks) if not WORDS.knows("check", code)] == []


def test_every_piece_of_evidence_of_the_judge_has_words() -> None:
    table = tomllib.loads(RULES.read_text(encoding="utf-8"))
    keys = frozenset({"code", "evidence", "evidence_for", "evidence_against", "for", "against"})
    codes = {code for code in codes_of(table, keys) if code.replace("_", "").isalnum()}
    assert [code for code in sorted(codes) if not WORDS.knows("evidence", code)] == []


def test_phrases_speak_of_both_levels() -> None:
    assert all("{before}" in one and "{after}" in one for one in WORDS.table["phrase"].values())
    assert all("{before}" not in one and "{after}" in one for one in WORDS.table["phrase_level"].values())


def test_no_check_comes_without_a_caution() -> None:
    for code in [*WORDS.table["check"], "a_check_newer_than_the_words"]:
        check = check_with_caution(code, WORDS)
        assert check is not None and check.text
        lower = check.caution.lower()
        assert "propellers off" in lower or "disarm" in lower
        assert "person responsible for airworthiness" in check.defer
        assert "local rules" in check.defer.lower()


def test_a_bench_check_names_all_four_cautions() -> None:
    bench = WORDS.code("caution", "bench").lower()
    assert all(word in bench for word in ("propellers off", "disarm", "restrain", "spotter"))


def test_an_unknown_code_is_shown_readable_and_an_unknown_check_gets_the_strictest_caution() -> None:
    assert WORDS.code("cause", "gremlins_in_wing") == "gremlins in wing"
    assert WORDS.check("look_under_wing").caution == "bench"


def test_every_placeholder_is_filled_and_every_message_is_used() -> None:
    source = "\n".join(
        path.read_text(encoding="utf-8")
        for folder in ("reports", "reports/templates")
        for path in sorted((ROOT / folder).iterdir())
        if path.suffix in (".py", ".html")
    )
    unused = [
        f"{group}.{key}"
        for group in ("text", "sentence")
        for key in WORDS.table[group]
        if not re.search(rf"""["']{key}["']""", source)
    ]
    assert unused == []
    for group in ("sentence", "phrase", "phrase_level"):
        for key, message in WORDS.table[group].items():
            names = [name for _, name, _, _ in Formatter().parse(message) if name is not None]
            assert all(name.isidentifier() for name in names), key


def test_a_language_without_a_catalogue_is_one_clear_sentence() -> None:
    with pytest.raises(ReportError, match="no catalogue of words"):
        load_words("tlh")
    with pytest.raises(ReportError):
        load_words("../en")


def test_a_missing_value_is_an_error_not_a_hole() -> None:
    words = Words({"sentence": {"one": "{a} and {b}"}})
    with pytest.raises(KeyError):
        words.sentence("one", a=1)


JUDGED = [metric for detector in DETECTORS for metric in detector.spec.metrics if metric.better != "none"]


@pytest.mark.parametrize("metric", JUDGED, ids=lambda metric: metric.name)
def test_no_finding_reads_like_a_title(metric: Metric) -> None:
    phrase = WORDS.phrase(metric.name)
    assert phrase is not None
    assert {field for _, field, _, _ in Formatter().parse(phrase) if field} == {"before", "after"}
    if metric.attention is not None:
        level = WORDS.phrase_level(metric.name)
        assert level is not None and "{after}" in level and "{before}" not in level


def test_details_name_metrics_that_there_are() -> None:
    known = {metric.name for detector in DETECTORS for metric in detector.spec.metrics}
    for name, pattern in WORDS.table["phrase_detail"].items():
        named = {part for _, field, _, _ in Formatter().parse(pattern) if field for part in field.split("*")}
        assert {name} | named <= known
