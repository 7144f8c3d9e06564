"""One door to all log writers: a style's name decides what kind of file a flight becomes."""

from __future__ import annotations

from pathlib import Path

import numpy as np

from trimkeep.sample_fleet.flown import Flown
from trimkeep.sample_fleet.identity import Circumstances, Identity
from trimkeep.sample_fleet.log_styles import REAL_HABITS, STYLES
from trimkeep.sample_fleet.table_writer import TABLES, write_table
from trimkeep.sample_fleet.tlog_writer import write_tlog

LOG_STYLES: tuple[str, ...] = (*STYLES, *TABLES)


def suffix_of(style: str) -> str:
    """File suffix of a style of `LOG_STYLES`; KeyError for another word."""
    return ".tlog" if style in STYLES else TABLES[style].suffix


def has_real_habits(style: str) -> bool:
    """True when a style carries only what logs of real flights carry."""
    return style in REAL_HABITS


def write_log(
    path: Path,
    flown: Flown,
    identity: Identity,
    circumstances: Circumstances,
    style: str,
    rng: np.random.Generator,
) -> None:
    """Write one flight in the style of that name (one of `LOG_STYLES`)."""
    if style in STYLES:
        write_tlog(path, flown, identity, circumstances, STYLES[style], rng)
    else:
        write_table(path, flown, identity, circumstances, TABLES[style])
