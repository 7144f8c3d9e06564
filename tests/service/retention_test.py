"""Retention: what goes, what stays and why, and that nothing goes that the record does not name."""

from __future__ import annotations

import hashlib
import json
import shutil
from collections.abc import Iterator
from concurrent.futures import ThreadPoolExecutor
from dataclasses import replace
from datetime import UTC, datetime, timedelta
from pathlib import Path

import pytest

from tests.service.small_logs import TOOLS, fleet_in, ingest, log_text, put
from tests.service.told_fleet import NOW, fly, judged, run, told_fleet
from tests.service.told_fleet import read as read_swinging
from trimkeep.config.errors import RecordingRemoved, StoreBusy, UsageError
from trimkeep.config.load import load_fleet
from trimkeep.config.settings import FleetSettings
from trimkeep.service import made_again
from trimkeep.service.airframe_record import load_airframe_record
from trimkeep.service.answers import Answer, give_answer
from trimkeep.service.audit_bundle import bundle_files, import_bundle, write_bundle
from trimkeep.service.backup import find_backup, make_backup, restore_backup
from trimkeep.service.cli import main as command_line
from trimkeep.service.digest import make_digest
from trimkeep.service.ingest import leases
from trimkeep.service.ingest.remeasure import remeasure
from trimkeep.service.integrity import check_store
from trimkeep.service.made_again import bring_back, find_removed
from trimkeep.service.pages import write_pages
from trimkeep.service.record_page import record_page
from trimkeep.service.removing import clear_due
from trimkeep.service.retention import Why, plan_retention
from trimkeep.service.retention_pages import linked_pages
from trimkeep.service.store.audit import load_records, verify_chain
from trimkeep.service.store.connection import Store, open_store, unit_of_work
from trimkeep.service.store.evidence import load_channels
from trimkeep.service.store.removals import load_removals, load_removed_recordings, removal_lock
from trimkeep.service.watching import Aftermath

# Ages count from the moment a log was read as well, which is now: so the tests look from the days to come.
LATER = datetime.now(UTC) + timedelta(days=400)
YEAR = "[retention]\nrecordings_days = 365\n"
SWINGING = replace(TOOLS, read=read_swinging, run=run)


def flown(folder: Path, settings: str = YEAR, logs: int = 6) -> tuple[FleetSettings, Store]:
    """Logs of one flight each, read once for a run of tests; the four newest are held for hints."""
    template = folder.parent / f"flown_{logs}"
    if not template.exists():
        template.mkdir()
        made = fleet_in(template)
        for day in range(1, logs + 1):
            text = log_text([(0, 60, 1.0)], start=f"2026-03-{day:02d}T10:00:00+00:00")
            put(made, f"heron-01/{day}.csv", text)
        ingest(made)
    shutil.copytree(template, folder, dirs_exist_ok=True)
    fleet = fleet_in(folder, settings)
    return fleet, open_store(fleet.state)


def why(fleet: FleetSettings, store: Store, now: datetime = LATER) -> dict[str, Why]:
    return {one.log_path or one.name: one.why for one in plan_retention(store, fleet, now).files}


def on_disk(store: Store) -> int:
    return len(list(store.recordings.glob("*.parquet")))


def test_without_a_setting_everything_is_kept_for_ever(tmp_path: Path) -> None:
    fleet, store = flown(tmp_path, settings="", logs=2)
    before = load_records(store)
    assert set(why(fleet, store, LATER + timedelta(days=36500)).values()) == {Why.FOR_EVER}
    assert clear_due(store, fleet, LATER + timedelta(days=36500), "Ann").removed == ()
    assert (load_records(store), on_disk(store)) == (before, 2)


def test_what_is_old_goes_and_the_record_says_what_when_by_whom_and_by_which_setting(tmp_path: Path) -> None:
    fleet, store = flown(tmp_path)
    assert set(why(fleet, store, datetime.now(UTC)).values()) == {Why.YOUNG}
    first = plan_retention(store, fleet, LATER).due[0]
    data = first.path(fleet).read_bytes()
    rows = len(load_records(store))
    done = clear_due(store, fleet, LATER, "Ann")
    assert sorted(one.log_path for one in done.removed) == ["heron-01/1.csv", "heron-01/2.csv"]
    assert done.size_bytes == sum(one.size_bytes for one in done.plan.due) > 0
    assert on_disk(store) == 4
    intended = next(row for row in load_records(store) if row.content.get("log_path") == first.log_path)
    assert (intended.kind, intended.airframe) == ("removal_intended", "heron-01")
    assert intended.content == {
        "what": "recording",
        "name": first.name,
        "sha256": hashlib.sha256(data).hexdigest(),
        "bytes": len(data),
        "log": first.log_sha256,
        "log_path": "heron-01/1.csv",
        "setting": "retention.recordings_days = 365 (fleet.toml line 3)",
        "who": "Ann",
    }
    assert [row.kind for row in load_records(store)[rows:]] == [
        *["removal_intended"] * 2,
        *["removal_done"] * 2,
    ]
    assert verify_chain(store) == ()
    assert check_store(store, read_all=True) == ()
    # The logs, their flights and figures stay; nothing is read again, and nothing is due any more.
    assert ingest(fleet).unchanged == 6
    assert clear_due(store, fleet, LATER, "Ann").removed == ()
    # A recording that is gone without a removal is still a loss.
    next(store.recordings.glob("*.parquet")).unlink()
    assert [one.code for one in check_store(store)] == ["recording_missing"]


def test_the_newest_flights_a_log_that_is_gone_and_one_being_read_are_kept(tmp_path: Path) -> None:
    fleet, store = flown(tmp_path, logs=8)
    (fleet.folder / "heron-01/1.csv").unlink()
    with leases.hold_lease(store.runs) as lease, unit_of_work(store) as connection:
        connection.execute("UPDATE log_file SET lease = ? WHERE path = 'heron-01/2.csv'", [lease])
    # The same size, other content: only a look at all of it shows that.
    text = (fleet.folder / "heron-01/3.csv").read_bytes()
    (fleet.folder / "heron-01/3.csv").write_bytes(text.replace(b"60", b"61"))
    told = why(fleet, store)
    assert [told[f"heron-01/{day}.csv"] for day in range(1, 9)] == [
        Why.NO_LOG,
        Why.BEING_READ,
        Why.DUE,
        Why.DUE,
        *[Why.NEWEST] * 4,
    ]
    done = clear_due(store, fleet, LATER, "Ann")
    assert [one.log_path for one in done.removed] == ["heron-01/4.csv"]
    assert [one.log_path for one in done.kept_after_all] == ["heron-01/3.csv"]


def test_a_setting_lets_recordings_go_whose_log_is_elsewhere(tmp_path: Path) -> None:
    fleet, store = flown(tmp_path, YEAR + "keep_without_log = false\n")
    log = fleet.folder / "heron-01/1.csv"
    data = log.read_bytes()
    log.unlink()
    assert len(clear_due(store, fleet, LATER, "Ann").removed) == 2
    removal = find_removed(store, "heron-01/1.csv")
    with pytest.raises(RecordingRemoved, match="its log is not there any more") as told:
        bring_back(store, fleet, removal, TOOLS)
    assert "Put heron-01/1.csv back where it was" in told.value.next_step
    log.write_bytes(data + b"[70, 80, 1.0]\n")
    with pytest.raises(RecordingRemoved, match="has other content by now"):
        bring_back(store, fleet, removal, TOOLS)
    log.write_bytes(data)
    bring_back(store, fleet, removal, TOOLS)
    assert check_store(store, read_all=True) == ()


def test_whoever_needs_a_removed_recording_is_told_where_it_went(tmp_path: Path) -> None:
    fleet, store = flown(tmp_path)
    done = clear_due(store, fleet, LATER, "Ann")
    sha256 = done.removed[0].log_sha256
    with pytest.raises(RecordingRemoved) as told:
        load_channels(store, sha256, 1)
    day = datetime.now(UTC).date().isoformat()
    assert str(told.value) == (
        f"heron-01/1.csv: its decoded recording was removed on {day} by the setting "
        "retention.recordings_days = 365 (fleet.toml line 3). The log itself is heron-01/1.csv; read it "
        "again with: trimkeep retention FLEET --bring-back heron-01/1.csv."
    )
    before = load_channels(open_store(fleet.state), done.plan.files[-1].log_sha256, 1)
    assert before.recording.channels
    bring_back(store, fleet, find_removed(store, f"{sha256[:12]}-1"), TOOLS)
    assert load_channels(store, sha256, 1).seconds == 60.0
    assert load_removed_recordings(store).keys() == {done.removed[1].log_sha256}
    assert load_records(store)[-1].kind == "recording_made_again"
    # Its age counts from when it was made again.
    assert why(fleet, store, datetime.now(UTC) + timedelta(days=364))["heron-01/1.csv"] is Why.YOUNG
    with pytest.raises(UsageError, match="is no log whose recording was removed"):
        find_removed(store, "heron-01/1.csv")


def test_a_recording_made_again_is_the_one_that_went(tmp_path: Path) -> None:
    fleet, store = flown(tmp_path)
    path = plan_retention(store, fleet, LATER).due[0].path(fleet)
    data = path.read_bytes()
    clear_due(store, fleet, LATER, "Ann")
    assert bring_back(store, fleet, find_removed(store, "heron-01/1.csv"), TOOLS) == path
    assert path.read_bytes() == data


def test_a_newer_detector_measures_removed_recordings_from_their_logs(tmp_path: Path) -> None:
    from tests.service.small_logs import later_detectors

    fleet, store = flown(tmp_path)
    clear_due(store, fleet, LATER, "Ann")
    report = remeasure(fleet, tools=replace(TOOLS, detectors=later_detectors))
    assert (report.logs, report.failed) == (6, ())
    assert on_disk(store) == 4  # looked at, not kept
    (fleet.folder / "heron-01/1.csv").unlink()
    with unit_of_work(store) as connection:
        connection.execute("DELETE FROM detector_run")
        connection.execute("DELETE FROM observation")
    report = remeasure(fleet, tools=TOOLS)
    assert (report.logs, report.failed, len(report.removed)) == (5, (), 1)
    assert "was removed on" in report.removed[0]


# --- what is cited ---


@pytest.fixture
def told(tmp_path: Path) -> tuple[FleetSettings, Store]:
    """Six flights and an open finding, with its pages."""
    fleet, store = told_fleet(tmp_path, YEAR)
    write_pages(store, fleet, judged(store), NOW)
    return fleet, store


def test_what_a_finding_or_a_page_cites_is_kept(told: tuple[FleetSettings, Store]) -> None:
    fleet, store = told
    plan = plan_retention(store, fleet, LATER)
    held = {one.log_path: (one.why, one.detail) for one in plan.files if one.what == "recording"}
    assert held["heron-01/05.tlog"] == (Why.FINDING, "f1")
    assert held["heron-01/00.tlog"][0] is Why.PAGE
    assert [path for path, (reason, _) in held.items() if reason is Why.DUE] == ["heron-01/01.tlog"]
    pages = {path.name: path.read_bytes() for path in (fleet.output / "pages").iterdir()}
    clear_due(store, fleet, LATER, "Ann")
    # Not one page changes by what went.
    write_pages(store, fleet, judged(store), NOW)
    assert {path.name: path.read_bytes() for path in (fleet.output / "pages").iterdir()} == pages


def test_an_answered_finding_holds_only_what_its_page_draws(told: tuple[FleetSettings, Store]) -> None:
    fleet, store = told
    for day in range(6, 12):
        fly(fleet, day, 2.0)
    give_answer(store, fleet, "f1", Answer("acknowledged", "Ann", "seen"), NOW)
    held = [one for one in plan_retention(store, fleet, LATER).files if one.why is Why.FINDING]
    assert held
    give_answer(store, fleet, "f1", Answer("resolved", "Ann", "new servo"), NOW)
    files = plan_retention(store, fleet, LATER).files
    assert [one for one in files if one.why is Why.FINDING] == []
    assert {one.detail for one in files if one.why is Why.PAGE}


def test_a_page_that_needs_a_removed_recording_has_it_made_again_from_the_log(
    told: tuple[FleetSettings, Store], monkeypatch: pytest.MonkeyPatch
) -> None:
    fleet, store = told
    monkeypatch.setattr(made_again, "_todays_tools", lambda: SWINGING)
    page = fleet.output / "pages/finding-f1-3f524c.html"
    drawn = page.read_text()
    _force(store, fleet, 0)
    page.unlink()
    write_pages(store, fleet, judged(store), NOW)
    assert load_removed_recordings(store) == {}
    strip = lambda text: text.rpartition("<!-- made by")[0]  # noqa: E731
    assert strip(page.read_text()) == strip(drawn)


def test_a_page_says_where_its_recording_went_when_the_log_is_gone_too(
    told: tuple[FleetSettings, Store],
) -> None:
    fleet, store = told
    for day in (0, 5):
        _force(store, fleet, day)
        (fleet.folder / f"heron-01/{day:02d}.tlog").unlink()
    write_pages(store, fleet, judged(store), NOW)
    finding = (fleet.output / "pages/finding-f1-3f524c.html").read_text()
    assert "its decoded recording was removed on" in finding
    flight = next((fleet.output / "pages").glob("flight-9b28c293616d*")).read_text()
    assert "retention.recordings_days = 1" in flight
    assert "--bring-back heron-01/05.tlog" in flight


def _force(store: Store, fleet: FleetSettings, day: int) -> None:
    """Remove a recording that is cited, as when the finding came after the removal."""
    from trimkeep.service.store.removals import FileToRemove, finish, intend

    with unit_of_work(store) as connection:
        rows = connection.execute(
            "SELECT sha256 FROM log_file WHERE path = ?", [f"heron-01/{day:02d}.tlog"]
        ).fetchall()
    sha256 = rows[0][0]
    name = f"recordings/{sha256}.parquet"
    file = FileToRemove(
        "recording",
        name,
        "0",
        1,
        "retention.recordings_days = 1",
        "heron-01",
        sha256,
        f"heron-01/{day:02d}.tlog",
    )
    intended = intend(store, [file], "Ann", "lease")
    store.recording_path(sha256).unlink()
    finish(store, intended, [], "lease")


# --- pages and digests ---


def test_digests_go_by_age_and_pages_stay_while_something_leads_to_them(
    told: tuple[FleetSettings, Store],
) -> None:
    fleet, store = told
    old = make_digest(store, fleet, NOW)
    new = make_digest(store, fleet, NOW + timedelta(days=1))
    fleet = load_fleet(fleet.folder, environment={"TRIMKEEP_RETENTION_PAGES_DAYS": "10"})
    gone = fleet.output / "pages" / "flight-gone.html"
    gone.write_bytes(next((fleet.output / "pages").glob("flight-*")).read_bytes())
    foreign = fleet.output / "pages" / "notes.html"
    foreign.write_text("<p>somebody else's</p>")
    told_of = why(fleet, store)
    assert told_of[old.path.name] is Why.DUE
    assert told_of[new.path.name] is Why.SHOWN
    assert told_of["pages/board.html"] is Why.SHOWN
    assert told_of["pages/flight-gone.html"] is Why.DUE
    assert "pages/notes.html" not in told_of
    heads = [row.chain_head for row in _digest_rows(store)]
    done = clear_due(store, fleet, LATER, "Ann")
    names = {one.name for one in done.removed if one.what != "recording"}
    # The judge no longer says what those pages showed, and the digest that led to them goes with them.
    withdrawn = {name for name in names if name.startswith(("pages/finding-f1", "pages/flight-"))}
    assert names - withdrawn == {old.path.name}
    assert "pages/flight-gone.html" in withdrawn
    assert not old.path.exists() and not gone.exists() and foreign.exists()
    assert (fleet.output / "latest.html").exists()
    # The heads of digests that are gone are still looked for.
    assert verify_chain(store, tuple(heads)) == ()
    assert load_removals(store)[-1].file.setting == "retention.pages_days = 10 (environment)"


def _digest_rows(store: Store) -> tuple[object, ...]:
    from trimkeep.service.store.digests import load_digests

    return load_digests(store)


def test_links_are_followed_from_page_to_page(tmp_path: Path) -> None:
    pages = tmp_path / "pages"
    pages.mkdir()
    (tmp_path / "digest.html").write_text('<a href="pages/a.html#top">')
    (pages / "a.html").write_text('<a href="b.html"><a href="https://elsewhere.example/c.html">')
    (pages / "b.html").write_text('<a href="a.html">')
    (pages / "c.html").write_text("")
    assert linked_pages(pages, [tmp_path / "digest.html"], []) == {
        "a.html": "digest.html",
        "b.html": "a.html",
    }


# --- by itself, and what is said of it ---


def test_the_service_removes_only_when_the_setting_says_so_and_the_digest_tells(tmp_path: Path) -> None:
    fleet, store = flown(tmp_path)
    assert Aftermath(store, fleet).clear_due(LATER) is None
    fleet = load_fleet(fleet.folder, environment={"TRIMKEEP_RETENTION_AUTOMATIC": "true"})
    done = Aftermath(store, fleet).clear_due(LATER)
    assert done is not None and len(done.removed) == 2
    assert {one.who for one in load_removals(store)} == {"the service (retention.automatic)"}
    text = make_digest(store, fleet, datetime.now(UTC) + timedelta(minutes=1)).path.read_text()
    assert "2 decoded recordings removed as the setting retention.recordings_days = 365" in text
    assert "by the service (retention.automatic)" in text
    # A digest of another period says nothing of it.
    early = make_digest(store, fleet, NOW, period_end=NOW).path.read_text()
    assert "decoded recordings removed" not in early


def test_an_export_holds_the_removals(tmp_path: Path) -> None:
    fleet, store = flown(tmp_path)
    clear_due(store, fleet, LATER, "Ann")
    record = load_airframe_record(store, fleet, "heron-01", NOW - timedelta(days=30), LATER)
    told = json.loads(bundle_files(record, "x", "UTC", LATER)["record.json"])["removed"]
    assert [one["log"] for one in told] == ["heron-01/1.csv", "heron-01/2.csv"]
    assert told[0]["who"] == "Ann"
    assert "2 decoded recordings removed as the setting" in record_page(record, fleet, LATER)
    # Into an empty store it is the same record, bit for bit, and the logs are read as if for the first time.
    write_bundle(bundle_files(record, "x", "UTC", LATER), tmp_path / "export")
    other = open_store(tmp_path / "other")
    import_bundle(other, tmp_path / "export", (record.head,))
    assert load_records(other) == load_records(store)
    elsewhere = replace(fleet, state=tmp_path / "other")
    assert len(ingest(elsewhere).flights) == 6
    assert (load_removed_recordings(other), check_store(other)) == ({}, ())


def test_a_backup_restored_after_a_removal_and_one_from_before(tmp_path: Path) -> None:
    fleet, store = flown(tmp_path)
    make_backup(store, tmp_path / "disk", NOW)
    clear_due(store, fleet, LATER, "Ann")
    make_backup(store, tmp_path / "disk", NOW + timedelta(days=1))
    # Recordings of the earlier backup lie there still; they are not brought back against the record.
    restore_backup(fleet.state, find_backup(tmp_path / "disk"), NOW)
    assert (on_disk(store), check_store(store)) == (4, ())
    restore_backup(fleet.state, find_backup(tmp_path / "disk", "2026-03-20T080000Z"), NOW)
    assert (on_disk(store), check_store(store)) == (6, ())


def test_nothing_goes_while_a_backup_is_made(tmp_path: Path) -> None:
    fleet, store = flown(tmp_path)
    busy = Store(store.state, patience_s=0.2)
    with removal_lock(store, shared=True), pytest.raises(StoreBusy, match="is being backed up"):
        clear_due(busy, fleet, LATER, "Ann")
    assert on_disk(store) == 6


def test_two_runs_at_once_remove_each_file_once(tmp_path: Path) -> None:
    fleet, store = flown(tmp_path, logs=8)
    with ThreadPoolExecutor(2) as pool:
        runs = list(pool.map(lambda who: clear_due(store, fleet, LATER, who), ("Ann", "Bob")))
    names = [one.name for done in runs for one in done.removed]
    assert len(names) == len(set(names)) == 4
    done = [one for one in load_removals(store) if one.is_done]
    assert sorted(one.file.name for one in done) == sorted(names)
    assert (on_disk(store), check_store(store), verify_chain(store)) == (4, (), ())


@pytest.fixture
def quiet(monkeypatch: pytest.MonkeyPatch) -> Iterator[None]:
    import trimkeep.service.cli.retention as command

    class Clock(datetime):
        @classmethod
        def now(cls, tz: object = None) -> datetime:  # type: ignore[override]
            return LATER

    monkeypatch.setattr(command, "datetime", Clock)
    yield


@pytest.mark.usefixtures("quiet")
def test_the_command_shows_first_and_removes_when_told(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    fleet, store = flown(tmp_path)
    assert command_line.run(["retention", str(fleet.folder)]) == 0
    told = capsys.readouterr().out
    assert (
        "Decoded recordings are kept 365 days: retention.recordings_days = 365 (fleet.toml line 3)." in told
    )
    assert "Digests and pages are kept for ever: retention.pages_days = 0 (default)." in told
    assert "Due: 2 decoded recordings" in told
    assert "recording of heron-01/6.csv: among the newest flights of heron-01" in told
    assert "Nothing was removed." in told
    assert on_disk(store) == 6
    assert command_line.run(["retention", str(fleet.folder), "--apply", "--who", " "]) == 2
    assert command_line.run(["retention", str(fleet.folder), "--apply", "--who", "Ann"]) == 0
    assert "Removed: 2 decoded recordings" in capsys.readouterr().out
    assert on_disk(store) == 4
    assert command_line.run(["retention", str(fleet.folder), "--format", "json"]) == 0
    said = json.loads(capsys.readouterr().out)
    assert [one["log"] for one in said["removed_so_far"]] == ["heron-01/1.csv", "heron-01/2.csv"]
    assert {one["why"] for one in said["files"]} == {"newest"}


def test_a_file_that_cannot_be_removed_is_dropped_and_said_so(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    import trimkeep.service.removing as removing

    fleet, store = flown(tmp_path)
    real = removing._unlink

    def failing(path: Path) -> None:
        if path.name == plan_due:
            raise PermissionError(1, "Operation not permitted")
        real(path)

    plan_due = Path(plan_retention(store, fleet, LATER).due[0].name).name
    monkeypatch.setattr(removing, "_unlink", failing)
    done = clear_due(store, fleet, LATER, "Ann")
    assert len(done.removed) == len(done.kept_after_all) == 1
    assert sorted(str(one.ended_as) for one in load_removals(store)) == ["removal_done", "removal_dropped"]
    assert check_store(store) == ()
    monkeypatch.setattr(removing, "_unlink", real)
    assert len(clear_due(store, fleet, LATER, "Ann").removed) == 1
