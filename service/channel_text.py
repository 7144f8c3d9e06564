"""What `trimkeep channels` prints: the columns, what physics has against their map, and a map to save."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import replace
from pathlib import Path

from trimkeep.config.airframe import AirframeCard, ColumnMap
from trimkeep.config.errors import LogError
from trimkeep.service.channel_map import ChannelReport, Proposal, describe, propose
from trimkeep.service.map_check import Contradiction, contradiction_lines, contradictions, quoted
from trimkeep.service.readers.registry import choose
from trimkeep.service.readers.table import READER as TABLE
from trimkeep.service.readers.table import planned
from trimkeep.service.readers.table_file import headers_of


def channels_text(path: Path, card: AirframeCard) -> str:
    """What `trimkeep channels FILE` prints: what was found, what physics has against the map, and a map."""
    report = describe(path, card)
    proposals = propose(path, card)
    against = _against(path, card, proposals)
    mended = _mended(proposals, against)
    lines = [f"{report.source}: read as {report.reader}, {report.seconds:.1f} s", "", *_table(report)]
    mapped = {proposal.column for proposal in proposals}
    lost = [found.name for found in report.found if found.channel is None and found.name not in mapped]
    if mended:
        lines += [
            "",
            "Proposed channels.toml; check it, then save it in the airframe's or the fleet's folder:",
            "",
        ]
        lines += channels_toml(mended).splitlines()
    elif not lost:
        lines += ["", "Every column is a known channel; no channels.toml is needed."]
    proposed = {proposal.channel for proposal in proposals}
    known = [one for one in against if one.channel not in proposed]
    if known:
        lines += ["", "The numbers contradict each other as they are read now. To put it right:", ""]
        lines += [line for one in known for line in contradiction_lines(one)]
    elif against:
        lines += ["", "Lines that the numbers contradicted as their headers read are put right above."]
    if lost:
        lines += ["", f"Not understood: {', '.join(lost)}"]
    return "\n".join(lines) + "\n"


def _table(report: ChannelReport) -> Iterator[str]:
    """One line for each column: the channel, its rate, lowest, middle and highest value."""
    width = max((len(found.name) for found in report.found), default=4)
    for found in report.found:
        what = found.channel or "-"
        if found.samples:
            what = (
                f"{what:<22} {found.rate_hz:7.2f} Hz"
                f"  {found.low:>11.5g} {found.middle:>11.5g} {found.high:>11.5g}"
            )
        yield f"{found.name:<{width}}  {what}".rstrip()


def _against(path: Path, card: AirframeCard, proposals: tuple[Proposal, ...]) -> tuple[Contradiction, ...]:
    """What physics has against the map in force together with the proposed lines."""
    full = replace(card, columns=(*card.columns, *(_entry(proposal) for proposal in proposals)))
    reader = choose(path)
    try:
        recording = reader.read(path, full)
    except LogError:
        return ()  # without a column of time nothing can be compared; the table above shows what is missing
    plan = planned(headers_of(path), full) if reader.name == TABLE else {}
    return contradictions(recording, full, plan)


def _entry(proposal: Proposal) -> ColumnMap:
    return ColumnMap(
        proposal.channel, proposal.column, unit=proposal.unit, scale=proposal.scale, sign=proposal.sign
    )


def _mended(proposals: tuple[Proposal, ...], against: tuple[Contradiction, ...]) -> tuple[Proposal, ...]:
    """The proposals as physics would have them."""
    right = {one.channel: one for one in against if one.entry is not None}
    mended = []
    for proposal in proposals:
        one = right.get(proposal.channel)
        if one is not None and one.entry is not None:
            entry = one.entry
            why = f"{proposal.why}; put right by {one.witnesses[0]}" if one.witnesses else proposal.why
            proposal = Proposal(entry.channel, entry.column, entry.unit, entry.scale, entry.sign, why)
        mended.append(proposal)
    return tuple(mended)


def channels_toml(proposals: tuple[Proposal, ...]) -> str:
    """The map as the text of channels.toml, each line with its reason as a comment."""
    lines = ["[channels]"]
    for proposal in proposals:
        parts = [f"column = {quoted(proposal.column)}"]
        if proposal.unit is not None:
            parts.append(f"unit = {quoted(proposal.unit)}")
        parts += [f"scale = {proposal.scale!r}", f"sign = {proposal.sign}"]
        why = "".join(letter if letter.isprintable() else "?" for letter in proposal.why)
        lines.append(f"{proposal.channel} = {{ {', '.join(parts)} }}  # {why}")
    return "\n".join(lines) + "\n"
