"""Control modes: the log's own numbers, the protocol's standard modes, and words, as one channel."""

from __future__ import annotations

from collections.abc import Mapping

import numpy as np
from numpy.typing import NDArray

from trimkeep.config.channels import CONTROL_MODES
from trimkeep.detectors.model import Channel, FloatArray, Note

STANDARD_MODES: Mapping[int, str] = {
    1: "position_hold",
    2: "orbit",
    3: "cruise",
    4: "altitude_hold",
    5: "safe_recovery",
    6: "mission",
    7: "land",
    8: "takeoff",
}
"""The open protocol's MAV_STANDARD_MODE (0 is "non-standard")."""

MODE_CODES: Mapping[str, int] = {word: code for code, word in enumerate(CONTROL_MODES)}
UNKNOWN = float(MODE_CODES["unknown"])


def mode_codes(numbers: NDArray[np.generic], words: Mapping[int, str]) -> FloatArray:
    """Index into CONTROL_MODES for each mode number; 0 where `words` lacks it or the number is NaN.

    Parameters
    ----------
    numbers : ndarray, shape (n,)
        Mode numbers of the log.
    words : mapping of int to str
        Mode number to one of CONTROL_MODES.

    Returns
    -------
    ndarray of float64, shape (n,)
    """
    values, where = np.unique(numbers, return_inverse=True)
    codes = [
        float(MODE_CODES[words.get(int(value), "unknown")]) if np.isfinite(value) else UNKNOWN
        for value in values.tolist()
    ]
    return np.asarray(codes, np.float64)[where] if codes else np.empty(0)


def unmapped_notes(numbers: NDArray[np.generic], control_mode: Channel, end_s: float) -> tuple[Note, ...]:
    """One `mode_unmapped` for each number without a control mode, with the seconds spent in it.

    A mode holds until the next sample; the last one holds until `end_s`.
    """
    lost = control_mode.value == UNKNOWN
    if not lost.any():
        return ()
    held = np.diff(np.append(control_mode.time_s, max(end_s, float(control_mode.time_s[-1]))))
    notes: list[Note] = []
    for number in np.unique(numbers[lost]).tolist():
        if np.isfinite(number):
            seconds = float(held[lost & (numbers == number)].sum())
            notes.append(Note("mode_unmapped", {"mode_number": int(number), "seconds": round(seconds, 1)}))
    return tuple(notes)
