"""Changes made together: what each did, where other airframes had only one of them.

On one airframe only the sum of what was changed together can be known. Over the fleet the airframes
that had only one of the items separate them. Whether they do is computed from who had what, before any
effect is looked at; items that nobody had alone are reported together, with what would separate them.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from trimkeep.detectors.history.model import ChangeItem
from trimkeep.detectors.model import FloatArray

SERIAL_KINDS = frozenset({"firmware", "parameters"})
"""Kinds whose new value says what it is; of the others it is often only a serial number."""

Item = tuple[str, str, str]


def item_key(item: ChangeItem) -> Item:
    """What makes two pieces of work the same: kind and part, and for software the new value.

    A firmware is its version alone: the logs that show it name no part, the journal may.

    Examples
    --------
    >>> item_key(ChangeItem("servo", "Elevator servo", "s/n 1", "s/n 2", True))
    ('servo', 'elevator servo', '')
    """
    after = item.after.strip().lower() if item.kind in SERIAL_KINDS else ""
    part = "" if item.kind == "firmware" else item.part.strip().lower()
    return item.kind, part, after


@dataclass(frozen=True, slots=True)
class Separation:
    """Who had what, and what can be told from it.

    `groups`: items that always came together, each group one column; `design` (airframes, groups);
    `estimable` per group whether the airframes separate it from the others.
    """

    groups: tuple[tuple[Item, ...], ...]
    design: FloatArray
    estimable: tuple[bool, ...]


def separate(had: Sequence[frozenset[Item]]) -> Separation:
    """Which items the airframes tell apart.

    Parameters
    ----------
    had : sequence of sets of Item
        For each airframe's change, its items.

    Returns
    -------
    Separation
        A group is estimable when no other combination of groups has the same pattern over the
        airframes: its unit vector lies in the row space of the design.

    Examples
    --------
    >>> both, one = frozenset({("firmware", "", "2.1"), ("servo", "", "")}), frozenset({("servo", "", "")})
    >>> separate([both, both]).estimable, separate([both, one]).estimable
    ((True,), (True, True))
    """
    items = sorted(set().union(*had)) if had else []
    patterns: dict[tuple[bool, ...], list[Item]] = {}
    for item in items:
        patterns.setdefault(tuple(item in one for one in had), []).append(item)
    groups = tuple(tuple(group) for group in patterns.values())
    design = np.array([list(pattern) for pattern in patterns], dtype=np.float64).T.reshape(
        len(had), len(groups)
    )
    if not groups:
        return Separation((), design, ())
    # the projection on the row space leaves exactly the separable unit vectors as they are
    projection = np.linalg.pinv(design) @ design
    estimable = tuple(bool(abs(projection[j, j] - 1.0) < 1e-8) for j in range(len(groups)))
    return Separation(groups, design, estimable)


@dataclass(frozen=True, slots=True)
class Proposal:
    """What would separate items that came together: on `airframe`, `undo` that one and fly again."""

    airframe: str
    undo: Item
    error_then: float


EASY_TO_UNDO = ("parameters", "firmware", "payload", "battery", "propeller", "servo", "linkage")
"""Kinds in the order in which they are undone with the least work."""


def propose(
    group: Sequence[Item], airframes: Sequence[str], flights_before: Sequence[int], sigma: float
) -> Proposal | None:
    """The cheapest flights that would tell the items of a group apart.

    Parameters
    ----------
    group : sequence of Item
        Items that always came together; fewer than two need no proposal.
    airframes, flights_before : sequence
        Those that had them, and how many flights each has with them.
    sigma : float
        Flight-to-flight deviation.

    Returns
    -------
    Proposal or None
        On the airframe with the most flights, undo the item that is undone most easily; `error_then`
        is the standard error of its effect after ten flights more.
    """
    if len(group) < 2 or not airframes:
        return None
    best = max(range(len(airframes)), key=lambda k: (flights_before[k], airframes[k]))

    def effort(item: Item) -> tuple[int, Item]:
        known = item[0] in EASY_TO_UNDO
        return (EASY_TO_UNDO.index(item[0]) if known else len(EASY_TO_UNDO), item)

    error = sigma * float(np.sqrt(1.0 / max(flights_before[best], 1) + 1.0 / 10.0))
    return Proposal(airframes[best], min(group, key=effort), error)
