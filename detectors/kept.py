"""What was computed of a recording, a flight or a clock once, so that no detector computes it again.

Detectors ask for the same things: a channel at 5 Hz, its usual rate, whether the airspeed lives. Each is
made when it is first asked for and kept beside the data that it follows from, never in a global place.
"""

from __future__ import annotations

from collections.abc import Callable, Hashable
from typing import Any, TypeVar

import numpy as np

T = TypeVar("T")


class Kept:
    """Results by key. They count in no comparison and do not travel: a pickled one arrives empty.

    >>> kept = Kept()
    >>> kept.get("answer", lambda: 42), kept.get("answer", lambda: 43)
    (42, 42)
    """

    __slots__ = ("_made",)

    def __init__(self) -> None:
        self._made: dict[Hashable, Any] = {}

    def get(self, key: Hashable, make: Callable[[], T]) -> T:
        """The result under a key, made now if it is not there; arrays are handed out read-only."""
        if key not in self._made:
            made = make()
            if isinstance(made, np.ndarray):
                made.setflags(write=False)
            self._made[key] = made
        found: T = self._made[key]
        return found

    def of(self, array: np.ndarray, key: Hashable, make: Callable[[], T]) -> T:
        """As `get`, for what follows from this very array too; two that are nearly alike are two."""
        # The array is kept with it, so that no other one can come to have its id.
        self.get(("array", id(array)), lambda: (array,))
        return self.get((id(array), key), make)

    def forget(self) -> None:
        """Drop everything; what is asked for afterwards is made again."""
        self._made.clear()

    def __reduce__(self) -> tuple[type[Kept], tuple[()]]:
        return Kept, ()
