"""Make the judge's calibrated limits anew: `python -m tests.benchmarks.limits`.

About 25 minutes on one core with 6,000 series per cell. Needed when the statistic changes.
"""

from __future__ import annotations

import argparse
import time
from pathlib import Path

from trimkeep.detectors.history.calibration import limits_to_toml
from trimkeep.detectors.history.calibration_runs import make_limits

TARGET = Path(__file__).resolve().parents[2] / "detectors" / "history" / "limits.toml"


def main() -> None:
    """Simulate and write the artefact."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--series", type=int, default=6000, help="unchanged series per cell")
    parser.add_argument("--seed", type=int, default=20260314)
    parser.add_argument("--to", type=Path, default=TARGET)
    options = parser.parse_args()
    started = time.perf_counter()
    limits = make_limits(options.seed, options.series)
    options.to.write_text(limits_to_toml(limits), encoding="utf-8")
    print(f"{options.to}: version {limits.version}, {time.perf_counter() - started:.0f} s")


if __name__ == "__main__":
    main()
