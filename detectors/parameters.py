"""Parameters that are no settings: counters and clocks that some autopilots keep among them."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np

from trimkeep.detectors.model import ParameterReading

COUNTERS = 8
"""A value that grows by steps this often in one flight is a counter, not a setting."""
CLOCK_SLACK_S = 2.0
"""Some autopilots keep their hours flown among the parameters: a value that grows by the seconds
that passed, but for rounding and the time until it was sent, is a clock."""


def counts_or_keeps_time(readings: Sequence[ParameterReading]) -> bool:
    """Whether one parameter's readings in one log are those of a counter or of a clock.

    Parameters
    ----------
    readings : sequence of ParameterReading
        Of one parameter, by time; each differs from the one before.

    Examples
    --------
    >>> clock = [ParameterReading(t, "AWAKE_S", t + 3.0) for t in (0.0, 20.0, 41.0)]
    >>> counts_or_keeps_time(clock), counts_or_keeps_time(clock[:1])
    (True, False)
    """
    if len(readings) < 2:
        return False
    steps = np.diff([one.value for one in readings])
    if not np.isfinite(steps).all():
        return False
    if np.count_nonzero(steps) >= COUNTERS and bool(np.all(steps >= 0.0)):
        return True
    passed_s = np.diff([one.time_s for one in readings])
    keeps_time = np.all(np.abs(steps - passed_s) <= CLOCK_SLACK_S)
    return bool(keeps_time and passed_s.sum() > 5.0 * CLOCK_SLACK_S)
