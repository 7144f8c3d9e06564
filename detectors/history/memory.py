"""What was worked out once for the same numbers is not worked out again.

After a new flight most windows of an airframe hold the same flights as before. Their comparisons and scans
are found again here by a digest of every number that goes into them, so that what is remembered can never
differ from what would be computed: no flight, setting or model has to be followed for changes.
"""

from __future__ import annotations

import hashlib
from collections.abc import Callable, Sequence
from typing import Generic, TypeVar

from trimkeep.detectors.model import FloatArray

DIGEST_BYTES = 16
MOST = 50_000
"""Entries kept, a kilobyte each at most: years of forty airframes flown daily."""

Kept = TypeVar("Kept")


class Recall(Generic[Kept]):
    """Results by the digest of what they were computed from; the oldest go when there are too many."""

    def __init__(self, most: int = MOST) -> None:
        self._most = most
        self._known: dict[bytes, Kept] = {}

    def __call__(
        self, keys: Sequence[bytes], compute: Callable[[Sequence[int]], Sequence[Kept]]
    ) -> list[Kept]:
        """The result for each key; `compute` is given the places of those that are not known.

        Examples
        --------
        >>> recall, asked = Recall[int](), []
        >>> def square(places):
        ...     asked.append(list(places))
        ...     return [k * k for k in places]
        >>> recall([b"a", b"b"], square), recall([b"b", b"c"], square), asked
        ([0, 1], [1, 1], [[0, 1], [1]])
        """
        found = [self._known.get(key) for key in keys]
        missing = [place for place, one in enumerate(found) if one is None]
        if missing:
            for place, one in zip(missing, compute(missing), strict=True):
                found[place] = self._known[keys[place]] = one
            for oldest in list(self._known)[: max(len(self._known) - self._most, 0)]:
                self._known.pop(oldest, None)
        return [one for one in found if one is not None]


def digest(numbers: FloatArray, words: str) -> bytes:
    """Stands for the numbers and the words; two different ones never meet in a lifetime."""
    return hashlib.sha256(numbers.tobytes() + words.encode()).digest()[:DIGEST_BYTES]
