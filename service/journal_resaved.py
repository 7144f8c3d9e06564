"""What a spreadsheet does to cells when it opens and saves a table, so that it is not taken for an edit.

A spreadsheet takes what looks like a number for a number: 4.10 comes back as 4.1, 007 as 7, 1e5 as 100000,
and where the point groups thousands 0.350 comes back as 350. A time of day may gain its seconds, a text that
begins with an equals sign is worked out. The record keeps what was first written.
"""

from __future__ import annotations

import re
from dataclasses import astuple
from decimal import Decimal, InvalidOperation

from trimkeep.service.journal_table import EntryText

_GROUPED = re.compile(r"[+-]?\d{1,3}([.,]\d{3})+")
_NUMBER = re.compile(r"[+-]?(\d+([.,]\d*)?|[.,]\d+)([eE][+-]?\d+)?")
_TIME = re.compile(r"\d{1,2}:\d{2}(:\d{2})?")
_NUMBERS_ONLY = re.compile(r"[+-]?\d+([.,]\d+)?([eE][+-]?\d+)?|#\w+[!?/]?\w*")


def resaved(was: EntryText, now: EntryText) -> bool:
    """Whether `now` is what a spreadsheet may have made of `was` without anybody editing it."""
    if dict(was.extra).keys() != dict(now.extra).keys():
        return False
    return all(_same_cell(a, b) for a, b in zip(_cells(was), _cells(now), strict=True))


def rewritten_cells(was: EntryText, now: EntryText) -> list[tuple[str, str]]:
    """The cells that differ, as they were and as they are."""
    return [(a, b) for a, b in zip(_cells(was), _cells(now), strict=True) if a != b]


def _cells(entry: EntryText) -> list[str]:
    *fields, _ = astuple(entry)
    return [*fields, *(value for _, value in sorted(entry.extra))]


def _same_cell(was: str, now: str) -> bool:
    """Whether a spreadsheet can have written `now` for `was`.

    >>> [_same_cell(*pair) for pair in (("4.10", "4.1"), ("007", "7"), ("0.350", "350"), ("4.1", "4.2"))]
    [True, True, True, False]
    """
    if was == now:
        return True
    if was.startswith("="):
        return _NUMBERS_ONLY.fullmatch(now) is not None
    if _TIME.fullmatch(was) and _TIME.fullmatch(now):
        return _clock(was) == _clock(now)
    value, shown = _number(was), _number(now)
    if value is None or shown is None:
        return False
    return value == shown or (_GROUPED.fullmatch(was) is not None and _ungrouped(was) == shown)


def _clock(text: str) -> tuple[int, ...]:
    parts = [int(part) for part in text.split(":")]
    return (*parts, *[0] * (3 - len(parts)))


def _number(text: str) -> Decimal | None:
    if not _NUMBER.fullmatch(text):
        return None
    try:
        return Decimal(text.replace(",", "."))
    except InvalidOperation:
        return None


def _ungrouped(text: str) -> Decimal:
    return Decimal(re.sub(r"[.,]", "", text))
