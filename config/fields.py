"""A settings field that carries its own documentation and bounds."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import field
from typing import Any


def setting(
    default: Any,
    help: str,
    *,
    unit: str = "",
    low: float | None = None,
    high: float | None = None,
    choices: tuple[str, ...] = (),
) -> Any:
    """A dataclass field with one sentence of help, a unit, bounds and allowed values.

    Parameters
    ----------
    default : str, int, float, bool, tuple of str or mapping
        A mapping is copied for each instance.
    help : str
        One sentence, with its full stop.
    unit : str
        Printed behind the value.
    low, high : float or None
        Bounds that are allowed themselves; None for none.
    choices : tuple of str
        Empty means any.
    """
    metadata = {"help": help, "unit": unit, "low": low, "high": high, "choices": choices}
    if isinstance(default, Mapping):
        return field(default_factory=lambda: dict(default), metadata=metadata)
    return field(default=default, metadata=metadata)
