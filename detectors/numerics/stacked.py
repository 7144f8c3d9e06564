"""Parts of equal length as rows of one array: one call for many short parts."""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Sequence

import numpy as np

from trimkeep.detectors.model import FloatArray
from trimkeep.detectors.numerics.runs import IntArray


def stacked(parts: Sequence[FloatArray]) -> list[tuple[IntArray, FloatArray]]:
    """The parts by their length: their places among all of them, and they themselves, shape (parts, length).

    >>> [(place.tolist(), rows.tolist()) for place, rows in stacked([np.ones(2), np.zeros(1), np.zeros(2)])]
    [([0, 2], [[1.0, 1.0], [0.0, 0.0]]), ([1], [[0.0]])]
    """
    alike: dict[int, list[int]] = defaultdict(list)
    for place, part in enumerate(parts):
        alike[part.size].append(place)
    return [(np.array(places), np.stack([parts[place] for place in places])) for places in alike.values()]
