"""The truth of a built fleet as plain numbers and words, for a file beside (never inside) the fleet."""

from __future__ import annotations

import json
import math
from collections.abc import Mapping, Sequence
from dataclasses import asdict, dataclass
from pathlib import Path
from typing import Any

from trimkeep.sample_fleet.journal import work_day
from trimkeep.sample_fleet.scenario import AirframeStory, PlantedFault, Scenario
from trimkeep.sample_fleet.season import FlightOrder
from trimkeep.sample_fleet.writers import has_real_habits

TRUTH_FILE = "truth.json"


@dataclass(frozen=True, slots=True)
class FlightTruth:
    """What one flight was.

    Parameters
    ----------
    order : FlightOrder
    seconds : float
        From switch-on to switch-off.
    airborne : tuple of float
        Take-off and touch-down, seconds from switch-on.
    kept : tuple of float
        What of it reached the file, seconds from switch-on.
    planted : mapping of str to float or str
        The flight model's own account (`Flown.truth`).
    """

    order: FlightOrder
    seconds: float
    airborne: tuple[float, float]
    kept: tuple[float, float]
    planted: Mapping[str, float | str]

    def as_json(self) -> dict[str, Any]:
        """The entry of the truth file."""
        order = self.order
        return {
            "number": order.number,
            "file": order.file,
            "style": order.style,
            "real_habits": has_real_habits(order.style),
            "switched_on_at": order.at.isoformat(),
            "firmware": order.firmware,
            "seconds": round(self.seconds, 2),
            "airborne_s": [_known(round(instant, 2)) for instant in self.airborne],
            "kept_s": [round(instant, 2) for instant in self.kept],
            "faults": [_fault(fault) for fault in order.faults],
            "log": dict(order.log),
            "planted": {name: _known(value) for name, value in self.planted.items()},
        }


def truth_of_fleet(scenario: Scenario, seed: int, flights: Sequence[FlightTruth]) -> dict[str, Any]:
    """The whole truth file as plain data."""
    return {
        "name": scenario.name,
        "seed": seed,
        "time_zone": scenario.time_zone,
        "fleet_expect": [asdict(expected) for expected in scenario.fleet_expect],
        "airframes": [
            _airframe(scenario, story, [one for one in flights if one.order.identity.id == story.identity.id])
            for story in scenario.airframes
        ],
    }


def write_truth(path: Path, truth: Mapping[str, Any]) -> None:
    """Write the truth file."""
    path.write_text(json.dumps(truth, indent=1, allow_nan=False) + "\n", encoding="utf-8")


def _airframe(scenario: Scenario, story: AirframeStory, flights: Sequence[FlightTruth]) -> dict[str, Any]:
    orders = [one.order for one in flights]
    return {
        "id": story.identity.id,
        "model": story.identity.model,
        "expect": [asdict(expected) for expected in story.expect],
        "changes": [
            {
                "before_flight": work.before_flight,
                "first_file": orders[work.before_flight - 1].file,
                "day": work_day(work, orders, scenario.time_zone).isoformat(),
                "documented": bool(work.journal),
                "journal": [asdict(entry) for entry in work.journal],
                "firmware": work.firmware,
                "begins": [_fault(fault) for fault in work.begins],
                "ends": list(work.ends),
                "expect": [asdict(expected) for expected in work.expect],
            }
            for work in story.works
        ],
        "single_flights": [
            {
                "flight": mishap.flight,
                "file": orders[mishap.flight - 1].file,
                "begins": [_fault(fault) for fault in mishap.begins],
                "log": dict(mishap.log),
                "expect": [asdict(expected) for expected in mishap.expect],
            }
            for mishap in story.mishaps
        ],
        "flights": [one.as_json() for one in flights],
    }


def _known(value: float | str) -> float | str | None:
    """What the file says of a number that is not one: null, since JSON has no word for it."""
    return None if isinstance(value, float) and not math.isfinite(value) else value


def _fault(fault: PlantedFault) -> dict[str, Any]:
    return {key: value for key, value in asdict(fault).items() if value is not None}
