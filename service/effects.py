"""Did the work do what it should? Each entry with its verdicts and the flights that show them."""

from __future__ import annotations

from collections.abc import Collection, Iterable, Sequence
from dataclasses import dataclass
from enum import StrEnum

from trimkeep.config.settings import FleetSettings
from trimkeep.detectors.history.coinciding import item_key
from trimkeep.detectors.history.comparisons import blocks_by_airframe
from trimkeep.detectors.history.model import Change, ChangeItem, Finding, Verdict
from trimkeep.detectors.history.windows import Block
from trimkeep.service.changes import AirframeChanges, load_airframe_changes
from trimkeep.service.store.connection import Store
from trimkeep.service.store.findings import load_findings
from trimkeep.service.store.flights import PlacedFlight, load_flights
from trimkeep.service.store.journal import JournalRow, load_journal


class Outcome(StrEnum):
    """How far an entry's effect is known."""

    NO_FLIGHT_SINCE = "no_flight_since"
    NOT_IN_LOGS = "not_in_logs"
    TOO_EARLY = "too_early"
    NOT_JUDGED = "not_judged"
    JUDGED = "judged"


@dataclass(frozen=True, slots=True)
class EntryEffect:
    """What became of one entry.

    Parameters
    ----------
    entry : JournalRow
    outcome : Outcome
        `no_flight_since`: an open end. `not_in_logs`: the flights after it still show the old state.
        `too_early`: judged, and every verdict is still to come. `not_judged`: flown, and nothing could
        be compared.
    flights : tuple of PlacedFlight
        Flights since the work, the first to show it first; up to the next work for verdicts.
    findings : tuple of Finding
        Verdicts of this airframe on the change (with whatever was judged as one with it), then those of
        the fleet on the same work.
    together_with : tuple of ChangeItem
        Other things that changed at the same time: the verdicts are on all of them together.
    flights_checked : int
        For `not_in_logs`, the flights that contradict the entry.
    """

    entry: JournalRow
    outcome: Outcome
    flights: tuple[PlacedFlight, ...] = ()
    findings: tuple[Finding, ...] = ()
    together_with: tuple[ChangeItem, ...] = ()
    flights_checked: int = 0

    def count(self, verdict: Verdict) -> int:
        """Findings with a verdict."""
        return sum(finding.verdict is verdict for finding in self.findings)


def entry_effects(
    store: Store, fleet: FleetSettings, airframes: Iterable[str] | None = None
) -> tuple[EntryEffect, ...]:
    """Every current entry, by airframe and date, with what is said of it in the store today.

    Parameters
    ----------
    store : Store
        Judged: see `service.judging.judge`.
    fleet : FleetSettings
    airframes : iterable of str or None
        Only these; None means the fleet.
    """
    wanted = None if airframes is None else sorted(airframes)
    findings = [one for one in load_findings(store) if one.change is not None]
    flights: dict[str, list[PlacedFlight]] = {}
    for flight in load_flights(store, wanted):
        flights.setdefault(flight.airframe, []).append(flight)
    histories = {one.airframe: one for one in load_airframe_changes(store, fleet.time_zone, wanted)}
    rows = [row for row in load_journal(store, wanted) if row.standing == "current"]
    rows.sort(key=lambda row: (row.airframe, row.done_at, row.seq))
    effects = []
    for row in rows:
        history = histories[row.airframe]
        blocks = blocks_by_airframe(history.changes, fleet.settings.judge).get(row.airframe, ())
        effects.append(_effect(row, history, blocks, flights.get(row.airframe, []), findings))
    return tuple(effects)


def _effect(
    row: JournalRow,
    history: AirframeChanges,
    blocks: Sequence[Block],
    flights: Sequence[PlacedFlight],
    findings: Sequence[Finding],
) -> EntryEffect:
    contradicted = [one.flights_checked for one in history.unseen if one.entry.seq == row.seq]
    if contradicted:
        return EntryEffect(row, Outcome.NOT_IN_LOGS, flights_checked=contradicted[0])
    own = [change for change in history.changes if change.id in history.entries[row.seq]]
    since = tuple(flights[own[0].first_order :])
    mine = [block for block in blocks if _holds(block, own)]
    said = _findings(row, own, mine, findings)
    items = [item for block in mine for item in block.change.items]
    beside = tuple(item for item in items if not _is_of(item, row))
    if not since:
        return EntryEffect(row, Outcome.NO_FLIGHT_SINCE, together_with=beside)
    outcome = Outcome.JUDGED
    if not said:
        outcome = Outcome.NOT_JUDGED
    elif all(finding.verdict is Verdict.TOO_EARLY for finding in said):
        outcome = Outcome.TOO_EARLY
    return EntryEffect(row, outcome, since, said, beside)


def _holds(block: Block, changes: Sequence[Change]) -> bool:
    return any(block.first_order <= change.first_order <= block.last_order for change in changes)


def _findings(
    row: JournalRow, own: Sequence[Change], blocks: Sequence[Block], findings: Sequence[Finding]
) -> tuple[Finding, ...]:
    ids = {block.change.id for block in blocks}
    # Words of the entry and of the logs differ; both name the same work over the fleet.
    keys = {item_key(item) for change in own for item in change.items if _is_of(item, row)}
    alone, over_fleet = [], []
    for finding in findings:
        change = finding.change
        if change is None:
            continue
        if change.id in ids:
            alone.append(finding)
        elif finding.scope == "fleet" and row.airframe in finding.airframes and _same_work(change, keys):
            over_fleet.append(finding)
    return (*alone, *over_fleet)


def _same_work(change: Change, keys: Collection[tuple[str, str, str]]) -> bool:
    return any(item_key(item) in keys for item in change.items)


def _is_of(item: ChangeItem, row: JournalRow) -> bool:
    """Whether an item of a change is an entry's own work, as written or as the logs show it."""
    if not item.documented or item.kind != row.kind:
        return False
    return item.part == row.part or (item.done_by, item.note) == (row.done_by, row.note)
