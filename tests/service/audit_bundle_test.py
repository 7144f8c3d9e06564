"""Export for an auditor, and import into an empty store: the same record, bit for bit."""

from __future__ import annotations

import csv
import hashlib
import json
import shutil
import subprocess
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import Any

import pytest

from tests.service.small_logs import fleet_in, ingest, log_text, put
from trimkeep.config.errors import ReportError, StoreDamaged, UsageError
from trimkeep.config.settings import FleetSettings
from trimkeep.service.airframe_record import load_airframe_record
from trimkeep.service.audit_bundle import bundle_files, read_bundle, write_bundle
from trimkeep.service.cli.main import run
from trimkeep.service.journal import import_journal
from trimkeep.service.store.audit import append_record, chain_head, load_records, verify_chain
from trimkeep.service.store.connection import open_store, unit_of_work
from trimkeep.service.store.journal import load_journal

Capture = pytest.CaptureFixture[str]
HEADER = "done_at,kind,part,before,after,done_by,note,approved_by,place\n"
LINES = [
    '2026-03-02,servo,élévator servo,serial 17,serial 93,Zoë,"gears, ""worn"" ; =1+1",Ben,hangar\n',
    "2026-03-06,battery,pack,pack 1,pack 2,Ann,,,\n",
    "2026-05-01,inspection,whole,,,Ann,,Ben,\n",
]


@pytest.fixture(scope="module")
def fleet(tmp_path_factory: pytest.TempPathFactory) -> FleetSettings:
    made = fleet_in(tmp_path_factory.mktemp("export"))
    for name, day in (("heron-01", 1), ("heron-01", 5), ("heron-02", 5)):
        head: dict[str, Any] = {"start": f"2026-03-{day:02d}T10:00:00+00:00", "firmware": "4.1"}
        put(made, f"{name}/{day}.csv", log_text([(0, 60, 1.0)], airframe=name, **head))
    put(made, "heron-01/ground.csv", log_text([], start="2026-03-04T10:00:00+00:00"))
    folder = made.folder / "heron-01"
    (folder / "journal.csv").write_text(HEADER + "".join(LINES))
    ingest(made)
    # The second line is corrected: both rows belong in an export.
    LINES_LATER = [LINES[0], LINES[1].replace("Ann", "Anne"), LINES[2]]
    (folder / "journal.csv").write_text(HEADER + "".join(LINES_LATER))
    store = open_store(made.state)
    import_journal(store, made, folder, "heron-01")
    with unit_of_work(store) as connection:
        said = {"finding": "f1", "status": "acknowledged", "who": "Ann", "note": "seen"}
        append_record(connection, "finding_answered", "heron-01", said)
    return made


@pytest.fixture(scope="module")
def made(fleet: FleetSettings, tmp_path_factory: pytest.TempPathFactory) -> Path:
    folder = tmp_path_factory.mktemp("made") / "export"
    assert run(["audit", "export", str(fleet.folder), "heron-01", "--output", str(folder)]) == 0
    return folder


@pytest.fixture
def bundle(made: Path, tmp_path: Path) -> Path:
    """An export of its own for each test, to be spoiled at will."""
    return Path(shutil.copytree(made, tmp_path / "export"))


def rows_of(path: Path) -> list[dict[str, str]]:
    with path.open(encoding="utf-8-sig", newline="") as stream:
        return list(csv.DictReader(stream))


def test_everything_of_the_airframe_is_in_it(fleet: FleetSettings, bundle: Path) -> None:
    record = json.loads((bundle / "record.json").read_text())
    assert record["head"] == chain_head(open_store(fleet.state))
    assert [(one["part"], one["standing"], one["done_by"]) for one in record["journal"]] == [
        ("élévator servo", "current", "Zoë"),
        ("pack", "superseded", "Ann"),
        ("pack", "current", "Anne"),
        ("whole", "current", "Ann"),
    ]
    assert rows_of(bundle / "journal.csv")[0]["note"] == 'gears, "worn" ; =1+1'
    assert rows_of(bundle / "journal.csv")[0]["further"] == '{"place":"hangar"}'
    assert rows_of(bundle / "journal.csv")[2]["missing"] == "approved_by"
    assert len(record["flights"]) == 2
    assert [(one["who"], one["status"]) for one in record["answers"]] == [("Ann", "acknowledged")]
    assert {one["kind"] for one in record["configuration"]} == {"firmware", "servo", "battery"}


def test_the_page_to_print_shows_the_head_and_every_name(fleet: FleetSettings, bundle: Path) -> None:
    page = (bundle / "record.html").read_text(encoding="utf-8")
    assert chain_head(open_store(fleet.state)) in page
    assert all(name in page for name in ("Zoë", "Ben", "hangar", "élévator servo"))


def test_log_hashes_are_those_of_the_files(fleet: FleetSettings, bundle: Path) -> None:
    for row in rows_of(bundle / "logs.csv"):
        data = (fleet.folder / row["log"]).read_bytes()
        assert hashlib.sha256(data).hexdigest() == row["sha256"]
    assert {row["outcome"] for row in rows_of(bundle / "logs.csv")} == {"ingested", "no_flight"}


def test_each_row_of_the_table_names_its_row_in_the_chain(fleet: FleetSettings, bundle: Path) -> None:
    hashes = {record.seq: record.sha256 for record in load_records(open_store(fleet.state))}
    for row in rows_of(bundle / "journal.csv"):
        assert hashes[int(row["row"])] == row["sha256"]


def test_the_sums_hold_for_the_standard_tool(bundle: Path) -> None:
    tool = shutil.which("sha256sum")
    if tool is None:
        pytest.skip("sha256sum is not installed here")
    done = subprocess.run([tool, "--check", "--strict", "SHA256SUMS"], cwd=bundle, capture_output=True)
    assert done.returncode == 0


def test_a_period_takes_only_its_own(fleet: FleetSettings, tmp_path: Path) -> None:
    folder = tmp_path / "march"
    asked = ["audit", "export", str(fleet.folder), "heron-01", "--output", str(folder)]
    assert run([*asked, "--from", "2026-03-02", "--to", "2026-03-05"]) == 0
    record = json.loads((folder / "record.json").read_text())
    assert [one["done_at"] for one in record["journal"]] == ["2026-03-02"]
    assert [one["begun_at"][:10] for one in record["flights"]] == ["2026-03-05"]
    # The chain is whole all the same, or its head could not be worked out.
    assert read_bundle(folder) == load_records(open_store(fleet.state))


def test_into_an_empty_store_it_is_the_same_record_bit_for_bit(
    fleet: FleetSettings, bundle: Path, tmp_path: Path, capsys: Capture
) -> None:
    other = fleet_in(tmp_path)
    asked = ["audit", "import", str(other.folder), str(bundle)]
    head = chain_head(open_store(fleet.state))
    assert run([*asked, "--head", head]) == 0
    old, new = open_store(fleet.state), open_store(other.state)
    assert load_records(new) == load_records(old)
    assert load_journal(new) == load_journal(old)
    assert verify_chain(new, (head,)) == ()
    assert run(["audit", "export", str(other.folder), "heron-01", "--output", str(tmp_path / "again")]) == 0
    for name in ("chain.jsonl", "journal.csv"):
        assert (tmp_path / "again" / name).read_bytes() == (bundle / name).read_bytes()
    assert run(asked) == 6
    assert "has a maintenance record already" in capsys.readouterr().err


def test_after_an_import_the_journal_file_and_the_logs_bring_nothing_twice(
    fleet: FleetSettings, bundle: Path, tmp_path: Path
) -> None:
    other = fleet_in(tmp_path)
    assert run(["audit", "import", str(other.folder), str(bundle)]) == 0
    shutil.copytree(fleet.folder / "heron-01", other.folder / "heron-01")
    entries = load_journal(open_store(other.state))
    ingest(other)
    assert load_journal(open_store(other.state)) == entries
    assert run(["audit", "verify", str(other.folder)]) == 0


@pytest.mark.parametrize("name", ["record.json", "journal.csv", "chain.jsonl", "logs.csv"])
def test_any_changed_file_is_refused(bundle: Path, tmp_path: Path, name: str, capsys: Capture) -> None:
    path = bundle / name
    path.write_text(path.read_text().replace("a", "b", 1))
    assert run(["audit", "import", str(fleet_in(tmp_path).folder), str(bundle)]) == 6
    assert f"{name}: is not the file that SHA256SUMS was made from" in capsys.readouterr().err


def resum(bundle: Path) -> None:
    """What a forger does after changing files."""
    names = [path.name for path in bundle.iterdir() if path.name != "SHA256SUMS"]
    lines = [f"{hashlib.sha256((bundle / name).read_bytes()).hexdigest()}  {name}\n" for name in names]
    (bundle / "SHA256SUMS").write_text("".join(lines))


@pytest.mark.parametrize(
    ("before", "after", "sentence"),
    [
        ("Zo", "Jo", "row_changed"),
        ('"seq":2,', '"seq":"2",', "cannot be understood"),
        ('"kind"', '"kund"', "cannot be understood"),
        ("{", "", "cannot be understood"),
    ],
)
def test_a_changed_chain_with_fresh_sums_is_refused(
    bundle: Path, before: str, after: str, sentence: str
) -> None:
    path = bundle / "chain.jsonl"
    path.write_text(path.read_text().replace(before, after, 1))
    resum(bundle)
    with pytest.raises(StoreDamaged, match=sentence):
        read_bundle(bundle)


@pytest.mark.parametrize(
    ("before", "after"), [('"done_by": "Zoë"', '"done_by": "Joe"'), ("heron-01/1.csv", "heron-01/2.csv")]
)
def test_an_extract_that_says_something_else_than_the_chain_is_refused(
    bundle: Path, before: str, after: str
) -> None:
    path = bundle / "record.json"
    path.write_text(path.read_text().replace(before, after))
    resum(bundle)
    with pytest.raises(StoreDamaged, match=r"says something else than .*chain\.jsonl"):
        read_bundle(bundle)


def test_a_cut_off_chain_is_found_by_a_head_from_elsewhere(bundle: Path) -> None:
    path = bundle / "chain.jsonl"
    lines = path.read_text().splitlines(keepends=True)
    head = json.loads(lines[-1])["sha256"]
    path.write_text("".join(lines[:-1]))
    record = (bundle / "record.json").read_text()
    (bundle / "record.json").write_text(record.replace(head, json.loads(lines[-2])["sha256"]))
    resum(bundle)
    read_bundle(bundle)
    with pytest.raises(StoreDamaged, match="head_unknown"):
        read_bundle(bundle, (head,))


@pytest.mark.parametrize("sums", ["", "abc\n", "0  ../../etc/passwd\n"])
def test_a_folder_that_is_no_export_is_refused(bundle: Path, sums: str) -> None:
    kept = (bundle / "SHA256SUMS").read_text() if ".." in sums else ""
    (bundle / "SHA256SUMS").write_text(kept + sums)
    with pytest.raises(StoreDamaged, match=r"does not name record\.json|lies elsewhere"):
        read_bundle(bundle)
    (bundle / "SHA256SUMS").unlink()
    with pytest.raises(StoreDamaged, match="cannot be read"):
        read_bundle(bundle)


def test_an_export_never_overwrites(fleet: FleetSettings, tmp_path: Path) -> None:
    now = datetime(2026, 6, 1, tzinfo=UTC)
    record = load_airframe_record(open_store(fleet.state), fleet, "heron-01", now - timedelta(days=200), now)
    files = bundle_files(record, "f", "UTC", now)
    (tmp_path / "full").mkdir()
    (tmp_path / "full" / "mine.txt").write_text("precious")
    with pytest.raises(UsageError, match="is not empty"):
        write_bundle(files, tmp_path / "full")
    (tmp_path / "file").write_text("")
    with pytest.raises(ReportError, match="cannot be written"):
        write_bundle(files, tmp_path / "file" / "inside")
    (tmp_path / "empty").mkdir()
    write_bundle(files, tmp_path / "empty")
    assert read_bundle(tmp_path / "empty") == record.chain


def test_a_period_the_wrong_way_round(fleet: FleetSettings, tmp_path: Path, capsys: Capture) -> None:
    asked = ["audit", "export", str(fleet.folder), "heron-01", "--output", str(tmp_path / "x")]
    assert run([*asked, "--from", "2026-03-05", "--to", "2026-03-02"]) == 2
    assert "begins after it ends" in capsys.readouterr().err
