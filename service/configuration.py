"""What an airframe consisted of at a flight or a date: firmware, board, settings, parts, since when."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from datetime import date, datetime, timedelta

from trimkeep.detectors.history.model import Change, ChangeItem
from trimkeep.service.changes import AirframeChanges, load_airframe_changes
from trimkeep.service.counting_parameters import Reading, moves_by_itself, same_value
from trimkeep.service.journal import effective_at
from trimkeep.service.seen_changes import number_text, parameter_histories
from trimkeep.service.store.connection import Store
from trimkeep.service.store.flights import PlacedFlight, load_flights, load_parameter_sets
from trimkeep.service.store.journal import JournalRow, load_journal

# Work of these kinds leaves something fitted; a calibration or an inspection does not.
FITTING_KINDS = frozenset(
    {
        "servo",
        "linkage",
        "surface",
        "propeller",
        "motor",
        "speed_controller",
        "battery",
        "autopilot_board",
        "sensor",
        "structure",
        "payload",
    }
)


@dataclass(frozen=True, slots=True)
class Item:
    """One thing an airframe consists of.

    Parameters
    ----------
    kind, part : str
        As in the journal; the part of a parameter is its name, of firmware and board it is empty.
    value : str
        As stated; parameters as people write numbers.
    since : datetime or None
        When it became so, aware; None when it is so since the first flight that states it.
    by : str
        Who did it; empty when nobody wrote it down or it always was so.
    documented : bool
        False when it became so and nobody wrote it down.
    by_itself : bool
        A counter or something learned in flight: no setting of a person.
    """

    kind: str
    part: str
    value: str
    since: datetime | None = None
    by: str = ""
    documented: bool = True
    by_itself: bool = False

    @property
    def key(self) -> tuple[str, str]:
        """What makes two items the same thing in two configurations."""
        return self.kind, self.part.casefold()


@dataclass(frozen=True, slots=True)
class Configuration:
    """An airframe at one moment. `flight` is the newest one not after it; flights and hours are totals."""

    airframe: str
    at: datetime
    flight: PlacedFlight | None
    flights: int
    hours: float
    items: tuple[Item, ...]


@dataclass(frozen=True, slots=True)
class AirframeHistory:
    """Everything known of one airframe, from which its configuration at any moment follows."""

    airframe: str
    flights: tuple[PlacedFlight, ...]
    parameters: Mapping[str, Sequence[Reading]]
    changes: AirframeChanges
    journal: tuple[JournalRow, ...]
    time_zone: str


def load_history(store: Store, time_zone: str, airframe: str) -> AirframeHistory:
    """One airframe's history from the store."""
    flights = load_flights(store, [airframe])
    sets = {r.parameter_set for flight in flights for r in flight.recordings if r.parameter_set}
    found = load_airframe_changes(store, time_zone, [airframe])
    return AirframeHistory(
        airframe,
        flights,
        parameter_histories(flights, load_parameter_sets(store, sets)),
        found[0] if found else AirframeChanges(airframe, (), ()),
        tuple(row for row in load_journal(store, [airframe]) if row.standing == "current"),
        time_zone,
    )


def end_of(text: str, time_zone: str) -> datetime:
    """The last instant of an ISO day in the fleet's zone, or a time as it is.

    >>> end_of("2026-07-14", "Europe/Lisbon").isoformat()
    '2026-07-14T22:59:59.999999+00:00'
    """
    if "T" in text:
        return effective_at(text, time_zone)
    following = date.fromisoformat(text) + timedelta(days=1)
    return effective_at(following.isoformat(), time_zone) - timedelta(microseconds=1)


def at_flight(history: AirframeHistory, flight: PlacedFlight) -> Configuration:
    """As it was flown in one of its flights."""
    return _configuration(history, flight.at, flight.order)


def at_moment(history: AirframeHistory, at: datetime) -> Configuration:
    """As it stood at a moment: work done since the last flight counts, flights after it do not."""
    return _configuration(history, at, sum(flight.at <= at for flight in history.flights) - 1)


def _configuration(history: AirframeHistory, at: datetime, order: int) -> Configuration:
    flown = history.flights[: order + 1]
    known = [
        change
        for change in history.changes.changes
        if change.first_order <= order or (change.first_order == order + 1 and change.at <= at)
    ]
    firmware = [(flight.order, flight.firmware) for flight in flown if flight.firmware is not None]
    board = [(flight.order, flight.board) for flight in flown if flight.board is not None]
    items = [
        *_stated("firmware", "", firmware, known, flown),
        *_stated("autopilot_board", "", board, known, flown),
        *_parts(history, at),
    ]
    for name, readings in sorted(history.parameters.items()):
        until = [(r.order, number_text(r.value)) for r in readings if r.order <= order]
        by_itself = moves_by_itself(readings)
        items += _stated("parameters", name, until, known, flown, by_itself=by_itself)
    hours = sum(flight.main.seconds for flight in flown) / 3600.0
    return Configuration(history.airframe, at, flown[-1] if flown else None, len(flown), hours, tuple(items))


def _stated(
    kind: str,
    part: str,
    stated: Sequence[tuple[int, str]],
    changes: Sequence[Change],
    flown: Sequence[PlacedFlight],
    *,
    by_itself: bool = False,
) -> list[Item]:
    """What the logs say last, or the journal where no log has spoken since."""
    spoken: list[tuple[Change, ChangeItem]] = [
        (change, item)
        for change in changes
        for item in change.items
        if item.kind == kind
        and (kind != "parameters" or item.part == part)
        # What a flight to come will show, and nobody wrote down, may not have been done yet.
        and (item.documented or change.first_order < len(flown))
    ]
    if not spoken:
        return [Item(kind, part, stated[-1][1], by_itself=by_itself)] if stated else []
    change, item = spoken[-1]
    silent = not stated or stated[-1][0] < change.first_order
    value = item.after if silent and item.after else stated[-1][1] if stated else item.after
    if not value:
        return []
    # Of what nobody wrote down only the first flight that shows it is certain.
    since = change.at if item.documented else flown[change.first_order].at
    return [Item(kind, part, value, since, item.done_by, item.documented, by_itself)]


def _parts(history: AirframeHistory, at: datetime) -> list[Item]:
    """What the journal last says to be fitted, part by part."""
    fitted: dict[tuple[str, str], Item] = {}
    rows = [(effective_at(row.done_at, history.time_zone), row.seq, row) for row in history.journal]
    for since, _, row in sorted(rows, key=lambda found: found[:2]):
        if row.kind not in FITTING_KINDS:
            continue
        # A board's name comes from the logs; the journal's own text for it stands beside it as a part.
        part = row.part or row.kind.replace("_", " ")
        if row.after and since <= at:
            item = Item(row.kind, part, row.after, since, row.done_by)
            fitted[item.key] = item
        elif row.before and since > at:
            # Work still to come names what it will replace.
            item = Item(row.kind, part, row.before)
            fitted.setdefault(item.key, item)
    return [fitted[key] for key in sorted(fitted)]


@dataclass(frozen=True, slots=True)
class Difference:
    """One thing that differs; None where one of the two has no such thing. `ratio` is second / first."""

    kind: str
    part: str
    first: Item | None
    second: Item | None
    ratio: float | None


def compare(first: Configuration, second: Configuration) -> tuple[Difference, ...]:
    """What differs between two configurations, counters and what is learned in flight left aside."""
    left = {item.key: item for item in first.items}
    right = {item.key: item for item in second.items}
    found = []
    for key in sorted({*left, *right}, key=lambda key: (key[0] == "parameters", key)):
        a, b = left.get(key), right.get(key)
        either = a or b
        if either is None or any(one is not None and one.by_itself for one in (a, b)):
            continue
        if a is None or b is None or not _same(a, b):
            found.append(Difference(either.kind, either.part, a, b, _ratio(a, b)))
    return tuple(found)


def _same(a: Item, b: Item) -> bool:
    if a.kind == "parameters":
        return same_value(float(a.value), float(b.value))
    return a.value == b.value


def _ratio(a: Item | None, b: Item | None) -> float | None:
    if a is None or b is None or a.kind != "parameters":
        return None
    first, second = float(a.value), float(b.value)
    return second / first if first != 0.0 else None
