"""Settings of how long files are kept that can be made again or stand for nothing any more.

The maintenance record (journal, audit chain), every flight's figures and what was said of them are kept for
ever and have no setting; logs, cards and journals in the fleet folder are never touched.
"""

from __future__ import annotations

from dataclasses import dataclass

from trimkeep.config.fields import setting

# Longer than any aeroplane flies; a larger number is a slip of the pen.
LONGEST_DAYS = 36_525.0


@dataclass(frozen=True, slots=True)
class RetentionSettings:
    """How long decoded recordings and written pages are kept, and who removes what is due."""

    recordings_days: float = setting(
        0.0,
        "Decoded recordings are kept this long after the flight, or after their log was last read if that "
        "was later; 0 keeps them for ever. The log can be read again.",
        unit="days",
        low=0.0,
        high=LONGEST_DAYS,
    )
    keep_without_log: bool = setting(
        True,
        "Keep a recording whose log is no longer there as it was read: it could not be made again.",
    )
    pages_days: float = setting(
        0.0,
        "Digests, and pages that no newer page or digest leads to, are kept this long after they were "
        "written; 0 keeps them for ever.",
        unit="days",
        low=0.0,
        high=LONGEST_DAYS,
    )
    automatic: bool = setting(
        False,
        "Let `trimkeep watch` remove what is due; otherwise only `trimkeep retention --apply` does.",
    )
