"""Changes made together: what each did, where other airframes had only one of them.

On one airframe only the sum of what was changed together can be known. Over the fleet the airframes
that had only one of the items separate them. Whether they do is computed from who had what, before any
effect is looked at; items that nobody had alone are reported together, with what would separate them.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from trimkeep.detectors.history.model import ChangeItem, Separating
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


EASY_TO_UNDO = (
    "parameters",
    "firmware",
    "payload",
    "battery",
    "propeller",
    "servo",
    "trim",
    "calibration",
    "balance",
    "linkage",
)
"""Kinds in the order in which they are undone with the least work; others come last."""
LASTING = frozenset({"inspection", "structure"})
"""Kinds that cannot be taken back: what was glued stays glued."""
SURE = 3.0
"""Standard errors by which the flights with one of them taken back must be able to differ."""
FEWEST_FLIGHTS, MOST_FLIGHTS = 3, 60


def unresolved(
    items: Sequence[ChangeItem], told: Sequence[Sequence[ChangeItem]] = ()
) -> tuple[tuple[ChangeItem, ...], ...]:
    """What was done together and nothing tells apart, as pieces of work that can be taken back one by one.

    Settings are one piece: they were chosen to go together.

    Parameters
    ----------
    items : sequence of ChangeItem
        Of one change.
    told : sequence of sequences of ChangeItem
        Groups that the fleet has told from others.

    Returns
    -------
    tuple of tuples of ChangeItem
        The pieces of the largest group that stays together; fewer than two when all is told apart.
    """
    pieces: dict[Item, list[ChangeItem]] = {}
    for item in items:
        if item.kind != "inspection":
            kind, part, after = item_key(item)
            pieces.setdefault((kind, "", "") if kind == "parameters" else (kind, part, after), []).append(
                item
            )
    groups = [set(pieces)]
    for known in told:
        keys = {item_key(item) for item in known}
        inside = {name for name, own in pieces.items() if any(item_key(item) in keys for item in own)}
        groups = [part for group in groups for part in (group & inside, group - inside) if part]
    largest = max(groups, key=lambda group: (len(group), sorted(group)))
    return tuple(tuple(pieces[name]) for name in sorted(largest)) if len(largest) > 1 else ()


def propose(
    pieces: Sequence[Sequence[ChangeItem]],
    airframes: Sequence[str],
    flights_with: Sequence[int],
    sigma: float,
    step: float,
) -> Separating | None:
    """The cheapest flights that would tell apart what came together.

    Parameters
    ----------
    pieces : sequence of sequences of ChangeItem
        As `unresolved` gives them.
    airframes, flights_with : sequence
        Those that had them, and how many flights each has flown with them.
    sigma : float
        Flight-to-flight deviation.
    step : float
        What they did together, on the same scale.

    Returns
    -------
    Separating or None
        On the airframe with the most flights, take back the piece that is taken back most easily. Its
        flights are so many that a step which is all its doing stands SURE errors clear of none.

    Examples
    --------
    >>> done = [(ChangeItem(kind, "", "", "2", True),) for kind in ("servo", "firmware")]
    >>> offer = propose(done, ["a", "b"], [5, 20], sigma=1.0, step=2.0)
    >>> offer.airframe, offer.undo[0].kind, offer.flights
    ('b', 'firmware', 3)
    """
    loose = [piece for piece in pieces if piece[0].kind not in LASTING]
    if len(pieces) < 2 or not airframes or not loose:
        return None
    best = max(range(len(airframes)), key=lambda k: (flights_with[k], airframes[k]))

    def effort(piece: Sequence[ChangeItem]) -> tuple[int, Item]:
        kind = piece[0].kind
        known = kind in EASY_TO_UNDO
        return (EASY_TO_UNDO.index(kind) if known else len(EASY_TO_UNDO), item_key(piece[0]))

    room = (step / (SURE * sigma)) ** 2 - 1.0 / max(flights_with[best], 1) if sigma > 0.0 else np.inf
    flights = max(int(np.ceil(1.0 / room)), FEWEST_FLIGHTS) if room > 0.0 else MOST_FLIGHTS + 1
    easiest: Sequence[ChangeItem] = sorted(loose, key=effort)[0]
    return Separating(airframes[best], tuple(easiest), flights if flights <= MOST_FLIGHTS else None)
