"""The journal as people keep it: encodings, separators, dates; imported once, kept for good."""

from __future__ import annotations

from pathlib import Path

import pytest

from tests.service.small_logs import fleet_in
from trimkeep.config.errors import JournalError
from trimkeep.config.settings import FleetSettings
from trimkeep.service.journal import JournalImport, effective_at, import_journal, record_entry
from trimkeep.service.journal_table import EntryText, read_table
from trimkeep.service.store.audit import verify_chain
from trimkeep.service.store.checks import row_counts
from trimkeep.service.store.connection import Store, open_store
from trimkeep.service.store.journal import load_journal

HEADER = "done_at,kind,part,before,after,done_by,note\n"
TEXT = HEADER + '2026-03-14,servo,elevator servo,A 17,B 3,Zoë,"new, with ""metal"" gears"\n'
ENTRY = EntryText("2026-03-14", "servo", "elevator servo", "A 17", "B 3", "Zoë", 'new, with "metal" gears')


def read(text: str | bytes, zone: str = "Europe/Lisbon") -> tuple[EntryText, ...]:
    return read_table(text.encode() if isinstance(text, str) else text, "heron-01/journal.csv", zone)


@pytest.mark.parametrize("encoding", ["utf-8", "utf-8-sig", "utf-16", "utf-16-le", "utf-16-be", "cp1252"])
@pytest.mark.parametrize("separator", [",", ";", "\t"])
@pytest.mark.parametrize("line_end", ["\n", "\r\n", "\r"])
def test_every_spreadsheet_gives_the_same_rows(encoding: str, separator: str, line_end: str) -> None:
    note = '"new, with ""metal"" gears"'
    rows = [
        separator.join(["done_at", "kind", "part", "before", "after", "done_by", "note"]),
        separator.join(["2026-03-14", "Servo", " elevator servo ", "A 17", "B 3", "Zoë", note]),
        separator * 6,
    ]
    assert read(line_end.join([*rows, ""]).encode(encoding)) == (ENTRY,)


def test_a_separator_line_of_a_spreadsheet_is_passed_over() -> None:
    assert read("sep=;\ndone_at;kind;part\n2026-03-14;servo;x\n")[0].part == "x"
    with pytest.raises(JournalError, match="line 3"):
        read("sep=;\ndone_at;kind;part\n2026-03-14;srevo;x\n")


@pytest.mark.parametrize(
    ("written", "read_as"),
    [
        ("2026-03-14", "2026-03-14"),
        ("14.03.2026", "2026-03-14"),
        ("4.3.2026", "2026-03-04"),
        ("14/03/2026", "2026-03-14"),
        ("3/14/2026", "2026-03-14"),
        ("2026/3/14", "2026-03-14"),
        ("2026-03-14T10:05+01:00", "2026-03-14T10:05+01:00"),
        ("2026-03-14 10:05", "2026-03-14T10:05+00:00"),
        ("2026-07-14 10:05:30", "2026-07-14T10:05:30+01:00"),
        ("14.07.2026 10:05", "2026-07-14T10:05+01:00"),
        ("2026-03-14T10:05Z", "2026-03-14T10:05+00:00"),
    ],
)
def test_dates(written: str, read_as: str) -> None:
    assert read(f"done_at,kind\n{written},servo\n")[0].done_at == read_as


def test_another_row_tells_how_an_ambiguous_date_is_meant() -> None:
    rows = read("done_at,kind\n03/04/2026,servo\n14/04/2026,servo\n")
    assert [row.done_at for row in rows] == ["2026-04-03", "2026-04-14"]


@pytest.mark.parametrize(
    ("text", "line", "words"),
    [
        ("done_at,kind\n03/04/2026,servo\n", 2, "two ways"),
        ("done_at,kind\n2026-03-14,servo\n46095,servo\n", 3, "day number"),
        ("done_at,kind\n2026-02-30,servo\n", 2, "no date"),
        ("done_at,kind\n,servo\n", 2, "done_at is empty"),
        ("done_at,kind\n2026-03-14,srevo\n", 2, "Did you mean servo"),
        ("done_at,kind\n2026-03-14,\n", 2, "kind: is empty"),
        ("done_at,part\n", 1, "kind is missing"),
        ("done_at,kind,kind\n", 1, "twice"),
        ("rubbish\n", 1, "header line"),
        ("done_at,kind,note\n2026-03-14,servo,a,b\n", 2, "quotes"),
        ('done_at,kind,note\n2026-03-14,servo,"two\nlines"\n2026-03-15,srevo,\n', 4, "srevo"),
    ],
)
def test_mistakes_name_the_file_and_the_line(text: str, line: int, words: str) -> None:
    with pytest.raises(JournalError) as caught:
        read(text)
    assert str(caught.value).startswith(f"heron-01/journal.csv line {line}: ")
    assert words in str(caught.value)


def test_empty_files_and_further_columns() -> None:
    assert read("") == read("\n\n") == read(HEADER) == ()
    (row,) = read("done_at,kind,id,Approved by,odd\n2026-03-14,inspection,7,Ann,x\n")
    assert row.extra == (("approved_by", "Ann"), ("id", "7"), ("odd", "x"))


@pytest.fixture
def fleet(tmp_path: Path) -> FleetSettings:
    fleet = fleet_in(tmp_path)
    (fleet.folder / "heron-01").mkdir()
    open_store(fleet.state)
    return fleet


def import_text(fleet: FleetSettings, text: str | bytes) -> JournalImport:
    folder = fleet.folder / "heron-01"
    (folder / "journal.csv").write_bytes(text.encode() if isinstance(text, str) else text)
    return import_journal(Store(fleet.state), fleet, folder, "heron-01")


def standing(fleet: FleetSettings) -> list[tuple[str, str]]:
    return [(row.part, row.standing) for row in load_journal(Store(fleet.state))]


def test_rows_are_imported_once_by_content(fleet: FleetSettings) -> None:
    assert import_text(fleet, TEXT) == JournalImport(added=1)
    assert import_text(fleet, TEXT) == JournalImport()
    resaved = TEXT.replace("2026-03-14,", "14/03/2026;").replace(HEADER, HEADER.replace(",", ";"))
    resaved = resaved.replace("servo,elevator servo,A 17,B 3,Zoë,", "servo;elevator servo;A 17;B 3;Zoë;")
    assert import_text(fleet, resaved.encode("cp1252")) == JournalImport()
    assert row_counts(Store(fleet.state))["audit_record"] == 1
    (row,) = load_journal(Store(fleet.state))
    assert (row.done_by, row.note, row.date_only, row.source) == ("Zoë", ENTRY.note, True, "file")


def test_two_equal_rows_are_two_pieces_of_work(fleet: FleetSettings) -> None:
    line = "2026-03-14,propeller,left,,,Ann,\n"
    assert import_text(fleet, HEADER + 2 * line).added == 2
    assert import_text(fleet, HEADER + 3 * line).added == 1
    assert import_text(fleet, HEADER + line).withdrawn == 2


def test_an_edited_row_supersedes_and_a_removed_row_is_withdrawn(fleet: FleetSettings) -> None:
    first = "2026-03-14,servo,elevator,A,B,Ann,\n"
    second = "2026-03-20,propeller,left,C,D,Ben,worn\n"
    import_text(fleet, HEADER + first + second)
    assert import_text(fleet, HEADER + first.replace(",B,", ",E,") + second) == JournalImport(amended=1)
    assert import_text(fleet, HEADER + second) == JournalImport(withdrawn=1)
    assert standing(fleet) == [("elevator", "superseded"), ("left", "current"), ("elevator", "withdrawn")]
    assert [row.after for row in load_journal(Store(fleet.state))] == ["B", "D", "E"]
    assert verify_chain(Store(fleet.state)) == ()


def test_an_id_matches_a_row_that_was_rewritten_altogether(fleet: FleetSettings) -> None:
    import_text(fleet, "done_at,kind,part,id\n2026-03-14,servo,elevator,1\n2026-03-15,servo,rudder,2\n")
    changed = "done_at,kind,part,id\n2026-04-01,linkage,aileron,1\n2026-03-15,servo,rudder,2\n"
    assert import_text(fleet, changed) == JournalImport(amended=1)
    assert standing(fleet) == [("elevator", "superseded"), ("rudder", "current"), ("aileron", "current")]


def test_a_mistake_changes_nothing_and_a_missing_file_withdraws_nothing(fleet: FleetSettings) -> None:
    import_text(fleet, TEXT)
    with pytest.raises(JournalError):
        import_text(fleet, HEADER + "2026-03-99,servo,,,,,\n")
    (fleet.folder / "heron-01" / "journal.csv").unlink()
    store = Store(fleet.state)
    assert import_journal(store, fleet, fleet.folder / "heron-01", "heron-01") == JournalImport()
    assert standing(fleet) == [("elevator servo", "current")]


def test_entries_by_command_are_not_touched_by_the_file(fleet: FleetSettings) -> None:
    store = Store(fleet.state)
    record_entry(store, "heron-01", EntryText("2026-03-01", "trim", "rudder"))
    import_text(fleet, TEXT)
    import_text(fleet, HEADER)
    assert standing(fleet) == [("rudder", "current"), ("elevator servo", "withdrawn")]


def test_a_day_begins_in_the_zone_of_the_fleet() -> None:
    assert effective_at("2026-07-14", "Australia/Sydney").isoformat() == "2026-07-13T14:00:00+00:00"
    assert effective_at("2026-07-14T10:05+02:00", "UTC").isoformat() == "2026-07-14T08:05:00+00:00"
