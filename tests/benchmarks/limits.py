"""Make the judge's calibrated limits anew: `python -m tests.benchmarks.limits`.

About 25 minutes on one core with 6,000 series per cell. Needed when the statistic changes.
"""

from __future__ import annotations

import argparse
import time
from pathlib import Path

from trimkeep.detectors.history.calibration import limits_to_toml
from trimkeep.detectors.history.calibration_runs import make_limits, make_scan_limits
from trimkeep.detectors.history.calibration_scan import scan_limits_to_toml

FOLDER = Path(__file__).resolve().parents[2] / "detectors" / "history"


def main() -> None:
    """Simulate and write the artefact."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--series", type=int, default=6000, help="unchanged series per cell")
    parser.add_argument("--seed", type=int, default=20260314)
    parser.add_argument("--scan", action="store_true", help="those for steps and drift at unknown times")
    parser.add_argument("--to", type=Path, help="default: where the program reads them")
    options = parser.parse_args()
    started = time.perf_counter()
    if options.scan:
        target = options.to or FOLDER / "scan_limits.toml"
        text = scan_limits_to_toml(make_scan_limits(options.seed, options.series))
    else:
        target = options.to or FOLDER / "limits.toml"
        text = limits_to_toml(make_limits(options.seed, options.series))
    target.write_text(text, encoding="utf-8")
    print(f"{target}: {time.perf_counter() - started:.0f} s")


if __name__ == "__main__":
    main()
