"""The page set: linked, self-contained, written only when what it shows has changed, never outside."""

from __future__ import annotations

import re
from dataclasses import replace
from datetime import timedelta
from pathlib import Path

import numpy as np
import pytest

from tests.reports.page_reading import Page
from tests.service.told_fleet import NOW, fly, judged, quiet, told_fleet
from trimkeep.config.errors import ReportError
from trimkeep.config.settings import FleetSettings
from trimkeep.detectors.history.model import Verdict
from trimkeep.service.digest_input import gather
from trimkeep.service.page_books import SPEC_BY_ID, SPECS
from trimkeep.service.page_links import FOLDER
from trimkeep.service.pages import write_pages, write_pages_of
from trimkeep.service.pages_evidence import channels_shown, choose_flights, load_pictures, series_shown
from trimkeep.service.store.connection import Store
from trimkeep.service.store.findings import answer_finding

Told = tuple[FleetSettings, Store]


@pytest.fixture
def told(tmp_path: Path) -> Told:
    return told_fleet(tmp_path)


def names(paths: tuple[Path, ...]) -> set[str]:
    return {path.name.split("-")[0].removesuffix(".html") for path in paths}


def test_every_kind_of_page_is_there_and_links_lead_somewhere(told: Told) -> None:
    fleet, store = told
    judgement = judged(store)
    made = write_pages(store, fleet, judgement, NOW)
    assert names(made.written) == {"board", "airframe", "finding", "flight"}
    for path in made.written:
        text = path.read_text(encoding="utf-8")
        page = Page(text)
        assert page.problems == []
        assert "<script" not in text and "://" not in text.replace("http://www.w3.org/", "")
        for href in page.hrefs:
            if not href.startswith(("#", "data:")):
                assert (path.parent / href).is_file(), f"{path.name} links to {href}"
    digest = gather(store, fleet, judgement, NOW - timedelta(days=30), NOW, NOW, made.links)
    for address in [*digest.links.findings.values(), *digest.links.flights.values(), digest.links.board]:
        assert address is not None and (fleet.output / address).is_file()


def test_nothing_is_written_again_while_nothing_changed(told: Told) -> None:
    fleet, store = told
    first = write_pages(store, fleet, judged(store), NOW)
    times = {path: path.stat().st_mtime_ns for path in first.written}
    again = write_pages(store, fleet, judged(store), NOW + timedelta(hours=1))
    assert (again.written, again.unchanged) == ((), len(first.written))
    assert {path: path.stat().st_mtime_ns for path in times} == times
    # The board is read as of a day.
    tomorrow = write_pages(store, fleet, judged(store), NOW + timedelta(days=1))
    assert names(tomorrow.written) == {"board"}


def test_a_new_flight_writes_its_own_airframe_only(told: Told) -> None:
    fleet, store = told
    fly(fleet, 0, 1.0, airframe="heron-02")
    write_pages(store, fleet, judged(store), NOW)
    fly(fleet, 9, 1.0, airframe="heron-02")
    made = write_pages(store, fleet, judged(store), NOW)
    assert sorted(path.name.rsplit("-", 1)[0] for path in made.written) == ["airframe-heron-02", "board.html"]


def test_an_answer_is_news(told: Told) -> None:
    fleet, store = told
    write_pages(store, fleet, judged(store), NOW)
    answer_finding(store, "f1", "acknowledged", who="Ann", note="seen", at=NOW)
    made = write_pages(store, fleet, judged(store), NOW)
    assert {"airframe", "finding"} <= names(made.written)


def test_a_cut_off_page_is_made_again(told: Told) -> None:
    fleet, store = told
    board = fleet.output / FOLDER / "board.html"
    write_pages(store, fleet, judged(store), NOW)
    whole = board.read_bytes()
    board.write_bytes(whole[: len(whole) // 2])
    assert write_pages(store, fleet, judged(store), NOW).written == (board,)
    assert board.read_bytes() == whole


def test_what_is_no_longer_said_keeps_a_page_that_says_so(told: Told) -> None:
    fleet, store = told
    first = write_pages(store, fleet, judged(store), NOW)
    foreign = fleet.output / FOLDER / "notes.html"
    foreign.write_text("<p>mine</p>")
    gone = write_pages(store, fleet, quiet(store), NOW)
    # The flights are still there, and so are their pages.
    assert names(gone.withdrawn) == {"finding"}
    [finding] = [path for path in first.written if path.name.startswith("finding")]
    page = Page(finding.read_text(encoding="utf-8"))
    assert "no longer" in page.text and "board.html" in page.hrefs
    assert foreign.read_text() == "<p>mine</p>"
    assert write_pages(store, fleet, quiet(store), NOW).withdrawn == ()
    # It comes back when the judge says it again.
    assert finding in write_pages(store, fleet, judged(store), NOW).written


def test_a_lost_recording_costs_its_pictures_only(told: Told) -> None:
    fleet, store = told
    for path in store.recordings.glob("*.parquet"):
        path.unlink()
    made = write_pages(store, fleet, judged(store), NOW)
    [finding] = [path for path in made.written if path.name.startswith("finding")]
    text = finding.read_text(encoding="utf-8")
    assert "traces are not at hand" in text and "Altitude held within" in text


def test_names_never_lead_out_of_the_folder(told: Told) -> None:
    fleet, store = told
    judgement = judged(store, id='../../<b>"\n')
    made = write_pages(store, fleet, judgement, NOW)
    folder = (fleet.output / FOLDER).resolve()
    assert all(path.resolve().parent == folder for path in made.written)
    assert all(re.fullmatch(r"[a-z0-9.-]+", path.name) for path in made.written)


def test_a_folder_that_cannot_be_written_is_one_sentence(told: Told) -> None:
    fleet, store = told
    blocked = fleet.output
    blocked.mkdir(exist_ok=True)
    (blocked / FOLDER).write_text("a file in the way")
    with pytest.raises(ReportError, match="cannot be written"):
        write_pages(store, fleet, judged(store), NOW)


def test_the_flights_set_side_by_side_are_typical_ones(told: Told) -> None:
    _, store = told
    judgement = judged(store)
    [finding] = judgement.findings
    series = series_shown(finding, judgement.series)
    assert series is not None
    before, after = choose_flights(finding, series, judgement.changes)
    # Swings of 0.5, 0.6, 0.4 m have errors of 0.71 times that: 0.35 is the first's, 1.4 the fourth's.
    assert (before.side, before.point.order, after.side, after.point.order) == ("before", 0, "after", 3)
    alone = replace(finding, verdict=Verdict.ATTENTION, kind="condition_of_flight", effect=None)
    [shown] = choose_flights(alone, series, ())
    assert (shown.side, shown.point.order) == ("after", 5)
    spared = replace(finding, down_weighted=(before.point.flight_id,))
    assert choose_flights(spared, series, judgement.changes)[0].point.order != 0


def test_traces_and_spectra_are_those_of_the_flights(told: Told) -> None:
    _, store = told
    judgement = judged(store)
    [finding] = judgement.findings
    series = series_shown(finding, judgement.series)
    assert series is not None
    chosen = choose_flights(finding, series, judgement.changes)
    pictures = load_pictures(store, chosen, SPEC_BY_ID["altitude_error"], finding.family)
    before, after = pictures.traces
    assert (before.channel, before.side, after.side) == ("altitude_m", "before", "after")
    # Planted: half swings of 0.5 and 2.0 m about the 120 m asked for.
    assert np.ptp(before.value) == pytest.approx(1.0, abs=0.01)
    assert np.ptp(after.value) == pytest.approx(4.0, abs=0.04)
    assert after.asked is not None and np.nanmax(np.abs(after.asked - 120.0)) == 0.0
    [spectrum] = pictures.spectra
    assert spectrum.before is not None and spectrum.after is not None
    # One swing in ten seconds; the window of 60 s tells frequencies 1/60 Hz apart.
    for side in (spectrum.before, spectrum.after):
        assert spectrum.frequency_hz[np.argmax(side)] == pytest.approx(0.1, abs=1 / 60)
    # Power goes with the square of the amplitude: 2.0 / 0.5 squared.
    assert spectrum.after.max() / spectrum.before.max() == pytest.approx(16.0, rel=0.02)


@pytest.mark.parametrize("spec", SPECS, ids=lambda spec: spec.id)
def test_every_metric_has_channels_that_show_it(spec: object) -> None:
    for metric in spec.metrics:  # type: ignore[attr-defined]
        shown = channels_shown(metric.name, spec)  # type: ignore[arg-type]
        assert len(shown) == len(set(shown)) >= 1
        assert not any("target" in name for name in shown)
        said = metric.name.split("_")[0]
        own = [name for name in spec.evidence if name.startswith(f"{said}_")]  # type: ignore[attr-defined]
        assert not own or shown[0] in own


def test_pages_of_some_airframes_are_those_of_the_whole_with_a_pooled_finding_too(told: Told) -> None:
    fleet, store = told
    fly(fleet, 0, 1.0, airframe="heron-02")
    fly(fleet, 0, 1.0, airframe="heron-03")
    pooled = judged(store, scope="fleet", airframes=("heron-01", "heron-02"))
    folder = fleet.output / FOLDER
    write_pages(store, fleet, pooled, NOW)
    whole = {path.name: path.read_bytes() for path in folder.iterdir()}
    for path in folder.iterdir():
        path.unlink()
    mine = {path.name for path in write_pages_of(store, fleet, pooled, NOW, {"heron-01", "heron-02"})}
    assert {name.rsplit("-", 1)[0] for name in mine} >= {
        "airframe-heron-01",
        "airframe-heron-02",
        "finding-f1",
    }
    assert {name: (folder / name).read_bytes() for name in mine} == {name: whole[name] for name in mine}
    alone = write_pages_of(store, fleet, pooled, NOW, {"heron-03"})
    assert [path.name.rsplit("-", 1)[0] for path in alone] == ["airframe-heron-03"]
    for path in alone:
        assert path.read_text() == whole[path.name].decode()
