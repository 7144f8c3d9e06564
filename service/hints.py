"""Lines to paste into an airframe's files: what a bare folder cannot tell, and what physics contradicts."""

from __future__ import annotations

from collections import Counter, defaultdict
from collections.abc import Sequence

from trimkeep.config.airframe import AirframeCard
from trimkeep.config.cards import CARD_FILE, airframe_folders, load_card
from trimkeep.config.errors import SettingsError, StoreDamaged
from trimkeep.config.settings import FleetSettings
from trimkeep.detectors.mode_evidence import ModeEvidence, mode_evidence
from trimkeep.detectors.output_evidence import OutputEvidence, output_evidence
from trimkeep.reports.inputs import Hint
from trimkeep.service.map_check import LINE_NOTE
from trimkeep.service.store.connection import Store
from trimkeep.service.store.flights import PlacedFlight, load_flights
from trimkeep.service.store.recordings import read_recording

# The newest flights are enough to tell a mode, and reading all of a long history is not worth it.
FLIGHTS_LOOKED_AT = 4
CONTRADICTED_GAINS = "signs and units that the logs contradict"
SURFACES = ("elevator", "aileron", "rudder", "throttle")


def load_hints(store: Store, fleet: FleetSettings) -> tuple[Hint, ...]:
    """Hints for every airframe whose files leave unnamed what its logs use, or name it wrongly."""
    by_airframe: dict[str, list[PlacedFlight]] = defaultdict(list)
    for flight in load_flights(store):
        by_airframe[flight.airframe].append(flight)
    hints = []
    for folder in airframe_folders(fleet):
        try:
            card = load_card(fleet, folder)
        except SettingsError:
            continue
        flights = by_airframe.get(card.id, [])[-FLIGHTS_LOOKED_AT:]
        hints += _contradicted(store, card, folder.name, flights)
        if card.modes and card.outputs:
            continue
        hint = _hint(store, card, f"{folder.name}/{CARD_FILE}", flights)
        if hint is not None:
            hints.append(hint)
    return tuple(hints)


def _contradicted(
    store: Store, card: AirframeCard, folder: str, flights: Sequence[PlacedFlight]
) -> list[Hint]:
    """Lines that physics spoke against when the logs were read, in half of the newest flights at least.

    One flight with a jammed surface or a dead sensor must not have a sound line changed.
    """
    told: Counter[tuple[str, str]] = Counter()
    read = 0
    for flight in flights:
        try:
            notes = read_recording(store.recording_path(flight.main.log_sha256), ()).notes
        except StoreDamaged:
            continue
        read += 1
        told.update(
            {(str(note.values["file"]), str(note.values["line"])) for note in notes if note.code == LINE_NOTE}
        )
    files: dict[str, list[str]] = defaultdict(list)
    for (file, line), times in sorted(told.items()):
        if 2 * times >= read:
            files[file].append(f"{line}  # contradicted as it is in {times} of {read} logs; check it")
    return [
        Hint(card.id, f"{folder}/{file}", tuple(lines), CONTRADICTED_GAINS) for file, lines in files.items()
    ]


def _hint(store: Store, card: AirframeCard, file: str, flights: Sequence[PlacedFlight]) -> Hint | None:
    modes: dict[int, list[ModeEvidence]] = defaultdict(list)
    outputs: dict[tuple[int, int], list[OutputEvidence]] = defaultdict(list)
    for flight in flights:
        try:
            recording = read_recording(store.recording_path(flight.main.log_sha256))
        except StoreDamaged:
            continue
        airborne = ((flight.main.start_s, flight.main.end_s),)
        for mode in mode_evidence(recording, airborne):
            if mode.number not in card.modes and _is_unnamed(recording.channels, mode.number):
                modes[mode.number].append(mode)
        if not card.outputs:
            for output in output_evidence(recording, airborne):
                outputs[output.port, output.channel].append(output)
    lines = [*_mode_lines(modes), *_output_lines(outputs)]
    if not lines:
        return None
    gains = [name for name, found in (("modes", modes), ("outputs", outputs)) if found]
    return Hint(card.id, file, tuple(lines), " and ".join(gains))


def _is_unnamed(channels: object, number: int) -> bool:
    """False where the log names its modes itself (the open protocol's standard mode)."""
    from trimkeep.config.channels import CONTROL_MODES

    control = channels.get("control_mode")  # type: ignore[attr-defined]
    numbers = channels.get("mode_number")  # type: ignore[attr-defined]
    if control is None or numbers is None:
        return True
    places = numbers.time_s[numbers.value == number]
    if places.size == 0 or control.time_s.size == 0:
        return True
    index = (control.time_s.searchsorted(places, side="right") - 1).clip(0)
    return bool((control.value[index] == CONTROL_MODES.index("unknown")).any())


def _mode_lines(modes: dict[int, list[ModeEvidence]]) -> list[str]:
    if not modes:
        return []
    lines = ["[modes]"]
    for number, found in sorted(modes.items()):
        seconds = sum(one.seconds for one in found)
        best = max(found, key=lambda one: one.seconds)
        did = [f"{seconds:.0f} s"]
        if best.altitude_spread_m is not None:
            did.append(f"altitude within {best.altitude_spread_m:.0f} m")
        if best.stick_share is not None:
            did.append(f"stick explains {best.stick_share:.0%} of the elevator")
        guess = best.looks_like
        advice = "put the mode's name here" if guess == "unknown" else "a proposal: check it"
        lines.append(f'{number} = "{guess}"  # {", ".join(did)}; {advice}')
    return lines


def _output_lines(outputs: dict[tuple[int, int], list[OutputEvidence]]) -> list[str]:
    best: dict[str, list[OutputEvidence]] = defaultdict(list)
    for found in outputs.values():
        strongest = max(found, key=lambda one: abs(one.correlation))
        best[strongest.surface].append(strongest)
    if not best:
        return []
    lines = ["[outputs]"]
    for surface in SURFACES:
        if best[surface]:
            entries = [_entry(one) for one in best[surface]]
            text = entries[0] if len(entries) == 1 else "[ " + ", ".join(entries) + " ]"
            strength = ", ".join(f"{one.correlation:+.2f}" for one in best[surface])
            lines.append(f"{surface} = {text}  # answers with correlation {strength}; a proposal: check it")
    return lines


def _entry(one: OutputEvidence) -> str:
    port = f", port = {one.port}" if one.port else ""
    turned = ", reversed = true" if one.correlation < 0 else ""
    neutral = "" if one.surface == "throttle" else ", neutral_us = 1500"
    return f"{{ channel = {one.channel}{port}, low_us = 1000{neutral}, high_us = 2000{turned} }}"
