"""How long maintenance records must be kept, against what the strictest retention settings leave."""

from __future__ import annotations

from dataclasses import fields
from datetime import UTC, datetime, timedelta

import pytest

from tests.service.small_logs import fleet_in, ingest, log_text, put
from trimkeep.config.load import load_fleet, setting_names
from trimkeep.config.retention import RetentionSettings
from trimkeep.config.settings import FleetSettings
from trimkeep.service.airframe_record import load_airframe_record
from trimkeep.service.journal import record_work
from trimkeep.service.journal_table import EntryText
from trimkeep.service.removing import clear_due
from trimkeep.service.store.audit import load_records, verify_chain
from trimkeep.service.store.checks import row_counts
from trimkeep.service.store.connection import Store, open_store

YEAR = timedelta(days=365)
# The rule, the time a record must be kept after the work, and where the period was read.
RULES = {
    # 14 CFR 91.417(b)(1): until the work is repeated or superseded, or for 1 year after it is performed.
    # What it speaks of: webarchive.library.unt.edu, 14cfr91.417 (2008); the period: studentpilot.com.
    # That the periods stand in paragraph (b), the records in (a): from memory.
    "14 CFR 91.417(b)(1)": 1 * YEAR,
    # 14 CFR 145.219: 2 years from the approval for return to service. faraim.org, section 145.219.
    "14 CFR 145.219": 2 * YEAR,
    # (EU) 2019/947, UAS.SPEC.050(1)(g): records of maintenance activities, 3 years at least.
    # seguridadaerea.gob.es, mantenimiento de UAS.
    "EU 2019/947 UAS.SPEC.050(1)(g)": 3 * YEAR,
    # UK AMC1 UAS.SPEC.050(1)(g) (CAA ORS9 Decision 16): the technical log, 3 years.
    "UK AMC1 UAS.SPEC.050(1)(g)": 3 * YEAR,
    # 14 CFR 91.417(b)(2): total time, lives and inspection status go with the aircraft when it is sold, so
    # for as long as it flies; a time longer than any aeroplane here has flown stands for that.
    "14 CFR 91.417(b)(2)": 40 * YEAR,
}
STRICTEST = {
    "TRIMKEEP_RETENTION_RECORDINGS_DAYS": "0.001",
    "TRIMKEEP_RETENTION_PAGES_DAYS": "0.001",
    "TRIMKEEP_RETENTION_KEEP_WITHOUT_LOG": "false",
    "TRIMKEEP_RETENTION_AUTOMATIC": "true",
}


@pytest.fixture(scope="module")
def kept(tmp_path_factory: pytest.TempPathFactory) -> tuple[FleetSettings, Store]:
    """Six flights and a piece of work, under settings that let everything go that can go."""
    made = fleet_in(tmp_path_factory.mktemp("kept"))
    for day in range(1, 7):
        text = log_text([(0, 60, 1.0)], start=f"2026-03-{day:02d}T10:00:00+00:00")
        put(made, f"heron-01/{day}.csv", text)
    ingest(made)
    store = open_store(made.state)
    work = EntryText(
        "2026-03-03", "servo", "elevator servo", "17", "93", "M. Reed", "worn", (("approved_by", "A"),)
    )
    record_work(store, made, "heron-01", work, datetime.now(UTC))
    return load_fleet(made.folder, environment=STRICTEST), store


@pytest.mark.parametrize("rule", RULES)
def test_the_record_outlives_the_rule(kept: tuple[FleetSettings, Store], rule: str) -> None:
    fleet, store = kept
    now = datetime.now(UTC) + RULES[rule]
    before, counts = load_records(store), row_counts(store)
    clear_due(store, fleet, now, "Ann")
    # The last days of the period are what the rule is about: everything is there, to the letter.
    assert load_records(store)[: len(before)] == before
    assert verify_chain(store, (before[-1].sha256,)) == ()
    after = row_counts(store)
    grown = {"audit_record", "file_removal"}
    assert {k: v for k, v in after.items() if k not in grown} == {
        k: v for k, v in counts.items() if k not in grown
    }
    record = load_airframe_record(store, fleet, "heron-01", datetime(2026, 1, 1, tzinfo=UTC), now)
    assert [entry.row.after for entry in record.entries] == ["93"]
    assert len(record.flights) == len(record.logs) == 6
    assert record.configuration.flights == 6
    assert len(list(fleet.folder.glob("heron-01/*.csv"))) == 6, "a log is never touched"


def test_something_did_go_under_these_settings(kept: tuple[FleetSettings, Store]) -> None:
    fleet, store = kept
    clear_due(store, fleet, datetime.now(UTC) + YEAR, "Ann")
    assert len(list(store.recordings.glob("*.parquet"))) == 4


def test_there_is_no_setting_that_speaks_of_the_record() -> None:
    own = {item.name for item in fields(RetentionSettings)}
    assert own == {"recordings_days", "keep_without_log", "pages_days", "automatic"}
    assert {name for name in setting_names() if name.startswith("retention.")} == {
        f"retention.{name}" for name in own
    }
