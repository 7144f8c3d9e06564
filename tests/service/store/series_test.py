"""Series: in the order flown, of today's detectors, with the conditions of each flight."""

from __future__ import annotations

from dataclasses import replace
from datetime import UTC, datetime, timedelta
from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st

from tests.service.small_logs import (
    AIR,
    LEVEL,
    SPECS,
    TOOLS,
    fleet_in,
    ingest,
    later_detectors,
    log_text,
    put,
)
from trimkeep.config.errors import UsageError
from trimkeep.detectors.model import ClockSource
from trimkeep.service.ingest.remeasure import remeasure
from trimkeep.service.store.checks import row_counts
from trimkeep.service.store.connection import Store
from trimkeep.service.store.evidence import load_channels, load_evidence
from trimkeep.service.store.flights import StoredFlight, load_flights, place_flights
from trimkeep.service.store.series import load_series, load_unmeasured


def test_points_stand_in_the_order_flown_not_in_that_of_arrival(tmp_path: Path) -> None:
    fleet = fleet_in(tmp_path)
    for day, level in ((16, 3.0), (14, 1.0), (15, 2.0)):
        put(
            fleet,
            f"heron-01/{day}.tlog",
            log_text([(10.0, 60.0 + day, level)], start=f"2026-03-{day}T10:00:00+00:00"),
        )
        ingest(fleet)
    air, level_series = load_series(Store(fleet.state), SPECS)
    assert (air.metric, air.unit, air.better) == ("wind_mps", "m/s", "none")
    assert [(p.order, p.value) for p in level_series.points] == [(0, 1.0), (1, 2.0), (2, 3.0)]
    assert [p.at.day for p in level_series.points] == [14, 15, 16]
    assert level_series.points[0].conditions == {"wind_mps": pytest.approx(0.64)}
    assert (level_series.matters, level_series.context) == (0.5, "held_level")


def test_a_threshold_of_the_card_is_used(tmp_path: Path) -> None:
    fleet = fleet_in(tmp_path)
    put(fleet, "heron-01/a.tlog", log_text([(10.0, 60.0, 1.0)]))
    ingest(fleet)
    series = load_series(Store(fleet.state), [LEVEL], {"heron-01": {"level_m": 0.8}})
    assert [one.matters for one in series] == [0.8]


def test_only_the_airframes_asked_for(tmp_path: Path) -> None:
    fleet = fleet_in(tmp_path)
    put(fleet, "heron-01/a.tlog", log_text([(10.0, 60.0, 1.0)]))
    put(fleet, "heron-02/b.tlog", log_text([(10.0, 61.0, 1.0)]))
    ingest(fleet)
    assert {one.airframe for one in load_series(Store(fleet.state), SPECS, airframes=["heron-02"])} == {
        "heron-02"
    }


def test_a_fleet_read_in_portions_gives_the_same(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    fleet = fleet_in(tmp_path)
    for number in range(3):
        put(fleet, f"heron-{number}/a.tlog", log_text([(10.0, 60.0 + number, 1.0)]))
    ingest(fleet)
    at_once = load_series(Store(fleet.state), SPECS)
    assert len(at_once) == 6
    monkeypatch.setattr("trimkeep.service.store.series.PORTION", 2)
    assert load_series(Store(fleet.state), SPECS) == at_once


def test_the_richer_recording_gives_the_numbers(tmp_path: Path) -> None:
    fleet = fleet_in(tmp_path)
    put(fleet, "heron-01/radio.tlog", log_text([(10.0, 60.0, 5.0)], rate_hz=1.0))
    put(fleet, "heron-01/board.csv", log_text([(10.0, 60.0, 6.0)], rate_hz=10.0))
    ingest(fleet)
    store = Store(fleet.state)
    (series,) = load_series(store, [LEVEL])
    (flight,) = load_flights(store)
    assert [(p.flight_id, p.value) for p in series.points] == [(flight.id, 6.0)]


def test_a_new_version_is_measured_from_the_recordings_and_the_old_one_not_mixed_in(tmp_path: Path) -> None:
    fleet = fleet_in(tmp_path)
    path = put(fleet, "heron-01/a.tlog", log_text([(10.0, 60.0, 3.0)]))
    ingest(fleet)
    path.unlink()
    store, later = Store(fleet.state), [AIR, replace(LEVEL, version=2)]
    assert [one.metric for one in load_series(store, later)] == ["wind_mps"]
    tools = replace(TOOLS, detectors=later_detectors)
    report = remeasure(fleet, tools=tools)
    assert (report.logs, report.runs, report.airframes) == (1, 1, ("heron-01",))
    assert [p.value for one in load_series(store, later) for p in one.points if one.metric == "level_m"] == [
        6.0
    ]
    assert load_series(store, [LEVEL]) == ()
    assert remeasure(fleet, tools=tools).logs == 0


def test_a_new_splitter_finds_the_flights_anew(tmp_path: Path) -> None:
    fleet = fleet_in(tmp_path)
    put(fleet, "heron-01/a.tlog", log_text([(10.0, 60.0, 3.0), (100.0, 150.0, 4.0)]))
    ingest(fleet)
    before = row_counts(Store(fleet.state))

    def first_only(recording: object, card: object) -> object:
        return TOOLS.split(recording, card)[:1]  # type: ignore[arg-type]

    remeasure(fleet, tools=replace(TOOLS, split=first_only, splitter_version=2))
    assert len(load_flights(Store(fleet.state))) == 1
    remeasure(fleet, tools=replace(TOOLS, splitter_version=3))
    assert row_counts(Store(fleet.state)) == before


def test_evidence_brings_channels_and_windows(tmp_path: Path) -> None:
    fleet = fleet_in(tmp_path)
    put(fleet, "heron-01/a.tlog", log_text([(10.0, 60.0, 3.0)]))
    ingest(fleet)
    store = Store(fleet.state)
    (flight,) = load_flights(store)
    evidence = load_evidence(store, flight.id, "level_m", "held_level", ["height_m"])
    assert evidence.windows == ((10.0, 60.0),)
    assert list(evidence.flight.recording.channels) == ["height_m"]
    assert evidence.flight.channel("height_m").value.tolist() == [3.0] * 51
    assert evidence.flight.segments[0].mode == "cruise"
    with pytest.raises(UsageError, match="lists the flights"):
        load_evidence(store, "nonsense", "level_m", "held_level", [])
    with pytest.raises(UsageError, match="has no flight 7"):
        load_channels(store, flight.main.log_sha256, 7)


def test_what_was_not_measured_is_told_with_its_reason(tmp_path: Path) -> None:
    fleet = fleet_in(tmp_path)
    put(fleet, "heron-01/a.tlog", log_text([(10.0, 60.0, 3.0)]))

    def failing(flight: object, detectors: object) -> object:
        runs = TOOLS.run(flight, detectors)  # type: ignore[arg-type]
        said = {"outcome": "not_measured", "observations": (), "reason": "too_short", "detail": "30 s"}
        return (runs[0], replace(runs[1], **said))

    ingest(fleet, tools=replace(TOOLS, run=failing))
    (one,) = load_unmeasured(Store(fleet.state), SPECS)
    assert (one.detector, one.reason, one.detail) == ("level", "too_short", "30 s")


START = datetime(2026, 3, 1, tzinfo=UTC)


def stored(sha: str, start_s: float, seconds: float, samples: int, clock: ClockSource) -> StoredFlight:
    at = START + timedelta(seconds=start_s)
    return StoredFlight(
        sha, 1, "a", at, clock, 0.0, seconds, False, False, samples, None, None, None, sha, sha
    )


@given(
    st.lists(
        st.tuples(st.integers(0, 5000), st.integers(60, 900), st.integers(1, 9), st.booleans()), max_size=12
    ),
    st.randoms(use_true_random=False),
)
def test_placing_depends_on_the_set_of_flights_only(
    spans: list[tuple[int, int, int, bool]], random: object
) -> None:
    flights = [
        stored(f"{k:064x}", start, seconds, samples, ClockSource.SATELLITE if sure else ClockSource.FILE_TIME)
        for k, (start, seconds, samples, sure) in enumerate(spans)
    ]
    shuffled = list(flights)
    random.shuffle(shuffled)  # type: ignore[attr-defined]
    placed = place_flights(flights)
    assert place_flights(shuffled) == placed
    assert [flight.order for flight in placed] == list(range(len(placed)))
    assert sum(len(flight.recordings) for flight in placed) == len(flights)
    assert [flight.at for flight in placed] == sorted(flight.at for flight in placed)


def test_recordings_with_doubtful_times_stay_apart() -> None:
    flights = [stored("a", 0, 600, 5, ClockSource.FILE_TIME), stored("b", 10, 600, 9, ClockSource.SATELLITE)]
    assert len(place_flights(flights)) == 2
