"""Play between servo and surface, and the servo's lag ahead of it.

A half-gap in command units (-1 to 1) is the total gap as a fraction of the travel from stop to stop.

References
----------
.. [1] A. Visintin, Differential Models of Hysteresis, Springer 1994, chapter III (play; from memory).
"""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
from scipy import signal

from trimkeep.detectors.model import FloatArray


def play(command: FloatArray, half_gap: FloatArray, begins: Sequence[int] = (0,)) -> FloatArray:
    """Output of the play operator: the surface stays until the gap is crossed, then follows.

    Parameters
    ----------
    command : ndarray, shape (..., n)
        Time runs along the last axis.
    half_gap : ndarray
        Broadcasts against the leading axes of `command`; the output may stray this far from the command.
    begins : sequence of int
        Where the surface begins anew, the first sample among them: records set end to end.

    Returns
    -------
    ndarray, shape (..., n)
        Begins in the middle of the gap. Each step clips the last output to command +- half_gap; clips
        compose to clips, so that the whole is a scan of log2(n) array operations at most: it ends when the
        longest stay inside the gap is spanned.

    Examples
    --------
    >>> play(np.array([0.0, 1.0, 0.5, -1.0]), np.array(0.25)).tolist()
    [0.0, 0.75, 0.75, -0.75]
    """
    gap = np.asarray(half_gap, dtype=np.float64)[..., None]
    low, high = command - gap, command + gap
    for at in begins:
        low[..., at] = high[..., at] = command[..., at]
    reach = 1
    while reach < command.shape[-1] and (reach < 64 or np.any(low != high)):
        later_low, later_high = low[..., reach:], high[..., reach:]
        new_low = np.minimum(np.maximum(low[..., :-reach], later_low), later_high)
        later_high[...] = np.minimum(np.maximum(high[..., :-reach], later_low), later_high)
        later_low[...] = new_low
        reach *= 2
    return low


def lagged(command: FloatArray, lag_s: float, rate_hz: float) -> FloatArray:
    """First-order lag of a command that runs straight between samples; shape kept.

    >>> lagged(np.array([0.0, 0.0, 1.0, 1.0]), 0.0, 10.0).tolist()
    [0.0, 0.0, 1.0, 1.0]
    """
    steps = lag_s * rate_hz
    if steps < 1e-3:
        return command
    decay = float(np.exp(-1.0 / steps))
    hold = steps * (1.0 - decay)
    now, before = 1.0 - hold, hold - decay
    state = np.array([command[0] * (1.0 - now)])
    return np.asarray(signal.lfilter([now, before], [1.0, -decay], command, zi=state)[0])
