"""A journal that went through a spreadsheet is the same journal, and one that was edited is not."""

from __future__ import annotations

import shutil
import subprocess
from pathlib import Path

import pytest

from tests.service.small_logs import fleet_in, ingest
from trimkeep.config.settings import FleetSettings
from trimkeep.service.journal import JournalImport, import_journal
from trimkeep.service.store.connection import Store, open_store
from trimkeep.service.store.journal import load_journal

OFFICE = shutil.which("soffice") or shutil.which("libreoffice")
TEXT = """done_at,kind,part,before,after,done_by,note
2026-03-14,servo,elevator servo,s/n 0017,s/n 93,Zoë,"new, with ""metal"" gears"
2026-03-20,firmware,,4.2,4.10,M. Reed,=1+1
2026-03-21T10:05+01:00,parameters,,0.40,0.350,M. Reed,+49 1234
2026-04-02,propeller,propeller,13x6.5,1/2,M. Reed,007
2026-04-03,battery,battery,1e5,12-3,M. Reed,10:30
2026-04-03,battery,battery,1e5,12-3,M. Reed,10:30
"""
LOCALES = {"en-US": (1033, 44), "de-DE": (1031, 59)}


def kept(folder: Path, text: str) -> tuple[FleetSettings, Store, Path]:
    fleet = fleet_in(folder)
    airframe = fleet.folder / "heron-01"
    airframe.mkdir(exist_ok=True)
    (airframe / "journal.csv").write_text(text, encoding="utf-8")
    return fleet, open_store(fleet.state), airframe


def opened_and_saved(profile: Path, source: Path, folder: Path, reading: str, saving: str) -> Path:
    """What the spreadsheet program makes of a file, in a folder."""
    assert OFFICE is not None
    command = [OFFICE, f"-env:UserInstallation=file://{profile}", "--headless", f"--infilter={reading}"]
    command += ["--convert-to", saving, "--outdir", str(folder), str(source)]
    subprocess.run(command, check=True, capture_output=True, timeout=180)
    return folder / source.name


@pytest.mark.skipif(OFFICE is None, reason="no LibreOffice on this machine")
@pytest.mark.parametrize("locale", sorted(LOCALES))
def test_opened_and_saved_by_a_spreadsheet_it_is_the_same_journal(locale: str, tmp_path: Path) -> None:
    """LibreOffice reads the table in that locale and saves it with that locale's separator."""
    language, separator = LOCALES[locale]
    fleet, store, airframe = kept(tmp_path, TEXT)
    assert import_journal(store, fleet, airframe, "heron-01") == JournalImport(added=6)
    before = load_journal(store)
    # One for all locales: the program takes seconds to lay a new one out.
    profile = tmp_path.parent / "office_profile"
    reading = f"Text - txt - csv (StarCalc):44,34,76,1,,{language},false,false"
    # By way of its own format, in two starts, it writes the same bytes.
    saving = f"csv:Text - txt - csv (StarCalc):{separator},34,76,1,,{language},false,true"
    made = opened_and_saved(profile, airframe / "journal.csv", tmp_path / "office", reading, saving)
    saved = made.read_text(encoding="utf-8")
    assert saved != TEXT  # it did rewrite cells, or this test would prove nothing
    (airframe / "journal.csv").write_text(saved, encoding="utf-8")
    again = import_journal(store, fleet, airframe, "heron-01")
    assert (again.changes, load_journal(store)) == (0, before)
    assert ("=1+1", "2") in again.rewritten


@pytest.mark.parametrize(
    ("was", "now"),
    [
        ("4.10", "4.1"),
        ("007", "7"),
        ("1e5", "1.00E+05"),
        ("0.350", "350"),
        ("0,40", "0.4"),
        ("9:05", "09:05:00"),
    ],
)
def test_the_record_keeps_what_was_first_written_and_says_so(was: str, now: str, tmp_path: Path) -> None:
    fleet, store, airframe = kept(tmp_path, TEXT.replace("13x6.5", was if "," not in was else f'"{was}"'))
    ingest(fleet)
    before = load_journal(store)
    (airframe / "journal.csv").write_text(TEXT.replace("13x6.5", now), encoding="utf-8")
    told = ingest(fleet)
    assert (told.journal_changes, load_journal(store)) == (0, before)
    assert told.problems == (
        f"heron-01/journal.csv: the program that saved it wrote {now} for {was}."
        " The record keeps what was first written; if a correction was meant, say so in its note too.",
    )
    assert ingest(fleet).problems == ()


@pytest.mark.parametrize(
    ("was", "now"), [("4.10", "4.2"), ("007", "8"), ("0.350", "3.50"), ("s/n 93", "s/n 94"), ("1/2", "0.5")]
)
def test_an_edit_is_an_edit(was: str, now: str, tmp_path: Path) -> None:
    fleet, store, airframe = kept(tmp_path, TEXT)
    import_journal(store, fleet, airframe, "heron-01")
    (airframe / "journal.csv").write_text(TEXT.replace(was, now), encoding="utf-8")
    assert import_journal(store, fleet, airframe, "heron-01") == JournalImport(amended=1)


def test_a_row_taken_out_beside_a_rewritten_one_is_seen(tmp_path: Path) -> None:
    fleet, store, airframe = kept(tmp_path, TEXT)
    import_journal(store, fleet, airframe, "heron-01")
    lines = TEXT.replace("1e5", "100000").splitlines(keepends=True)
    (airframe / "journal.csv").write_text("".join(lines[:-1]), encoding="utf-8")
    again = import_journal(store, fleet, airframe, "heron-01")
    assert (again.added, again.amended, again.withdrawn) == (0, 0, 1)
    assert again.rewritten == (("1e5", "100000"),)
