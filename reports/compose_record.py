"""The printable maintenance record of one airframe and one period."""

from __future__ import annotations

from trimkeep.reports.compose_pages import page_head, teller_for
from trimkeep.reports.foreign import plain
from trimkeep.reports.record_inputs import FittedItem, RecordedWork, RecordInput
from trimkeep.reports.record_views import FittedRow, Labelled, RecordLogRow, RecordPage, RecordWorkRow
from trimkeep.reports.sections import SHORT_HASH, gap_rows, removal_lines, work_done
from trimkeep.reports.teller import Teller, capital

DASH = "–"
PEOPLE = ("approved_by", "certificate", "reference", "flight_hours")


def compose_record(given: RecordInput) -> RecordPage:
    """The record as a page; nothing is left out, however long it gets."""
    teller = teller_for(given.setting)
    words, fmt = teller.words, teller.fmt
    name = plain(given.airframe.id)
    facts = [
        words.sentence(
            "n_flights_one" if given.airframe.flights == 1 else "n_flights", n=given.airframe.flights
        ),
        fmt.hours(given.airframe.hours),
    ]
    head = page_head(
        given.setting,
        teller,
        title=words.sentence("title_record", airframe=name, fleet=plain(given.setting.fleet_name)),
        heading=words.sentence("record_heading", airframe=name),
        aside=fmt.period(given.period_start, given.period_end),
        counts=words.sentence("record_counts", facts=", ".join(facts), end=fmt.day(given.period_end)),
        trail=(),
    )
    return RecordPage(
        head=head,
        work=tuple(_work(work, teller) for work in given.work),
        no_work="" if given.work else words.sentence("no_work"),
        gaps=gap_rows(given.gaps, teller),
        fitted=tuple(_fitted(item, teller) for item in given.fitted),
        answers=tuple(
            Labelled(
                f"{fmt.moment(answer.at)}, {plain(answer.who)}",
                words.sentence(
                    "record_answer",
                    status=words.text("still_open" if answer.status == "open" else answer.status),
                    finding=plain(answer.finding),
                    note=plain(answer.note),
                ).strip(),
            )
            for answer in given.answers
        ),
        logs=_logs(given, teller),
        removals=removal_lines(given.removals, teller),
        chain=(
            words.sentence("record_chain", rows=given.rows),
            words.sentence("record_verify", head=given.head[:SHORT_HASH]),
        ),
        full_head=given.head,
        statement=words.sentence("record_statement", airframe=name),
        signed=(
            words.text("sign_name"),
            words.text("sign_certificate"),
            words.text("sign_date"),
            words.text("sign_signature"),
        ),
    )


def _work(work: RecordedWork, teller: Teller) -> RecordWorkRow:
    words, fmt = teller.words, teller.fmt
    people = [("done_by", work.done_by)]
    people += [(name, work.further.get(name, "")) for name in PEOPLE]
    others = [(plain(name), text) for name, text in sorted(work.further.items()) if name not in PEOPLE]
    told = [Labelled(words.text(label), plain(text)) for label, text in people if text]
    told += [Labelled(capital(name.replace("_", " ")), plain(text)) for name, text in others if text]
    missing = ", ".join(words.code("record_field", name) for name in work.missing)
    return RecordWorkRow(
        number=str(work.row),
        day=fmt.day(work.at) if work.date_only else fmt.moment(work.at),
        standing="" if work.standing == "current" else words.code("standing", work.standing),
        what=work_done(work.kind, work.part, work.before, work.after, teller),
        note=plain(work.note),
        people=tuple(told),
        missing=words.sentence("record_missing", fields=missing) if missing else "",
        mark=work.sha256[:SHORT_HASH],
    )


def _fitted(item: FittedItem, teller: Teller) -> FittedRow:
    words = teller.words
    # A parameter is its name; "settings" before every one of them would only repeat itself.
    thing = [] if item.kind == "parameters" else [words.code("change_kind", item.kind)]
    by = plain(item.by) or ("" if item.documented else words.text("undocumented"))
    return FittedRow(
        thing=capital(", ".join([*thing, *([plain(item.part)] if item.part else [])])),
        value=plain(item.value),
        since_when=teller.fmt.day(item.since) if item.since else words.text("first_log"),
        by_whom=by,
    )


def _logs(given: RecordInput, teller: Teller) -> tuple[RecordLogRow, ...]:
    hashes = {log.file: log for log in given.logs}
    rows, shown = [], set()
    for flight in sorted(given.flights, key=lambda flight: (flight.at, flight.flight_id)):
        log = hashes.get(flight.source)
        shown.add(flight.source)
        rows.append(
            RecordLogRow(
                day=teller.fmt.moment(flight.at),
                length=teller.fmt.duration(flight.seconds),
                file=plain(flight.source),
                outcome="",
                mark=log.sha256 if log else DASH,
            )
        )
    for log in sorted(given.logs, key=lambda log: (log.file, log.sha256)):
        if log.file not in shown:
            outcome = teller.words.code("log_outcome", log.outcome)
            rows.append(RecordLogRow(DASH, DASH, plain(log.file), outcome, log.sha256))
    return tuple(rows)
