"""Write the detectors' pages from their descriptions: `python -m tests.benchmarks.detector_pages`.

With the open flight logs at hand (ALFA: A. Keipour, M. Mousaei, S. Scherer, International Journal of
Robotics Research 40(2-3), 2021, CC BY 4.0) it is counted anew on how many of them each detector
answered; without them the stored counts are kept. Measured errors are Markdown in `errors/ID.md`.
"""

from __future__ import annotations

import json
import os
from dataclasses import asdict
from pathlib import Path

from trimkeep.config.airframe import AirframeCard, Output
from trimkeep.detectors.describe import Answers, answers_of, page, table
from trimkeep.detectors.flights import split
from trimkeep.detectors.model import DetectorRun
from trimkeep.detectors.registry import DETECTORS
from trimkeep.detectors.run import run_all
from trimkeep.service.readers.registry import read_log

ROOT = Path(__file__).resolve().parents[2]
PAGES = ROOT / "detectors" / "pages"
ANSWERS = PAGES / "answers.json"
OPEN_DATA = Path(os.environ.get("TRIMKEEP_OPEN_DATA", ROOT.parent / "shared" / "open-data")) / "alfa"

# The outputs as the data set's description states them; its mode numbers are not described.
CARD = AirframeCard(
    id="alfa",
    outputs={
        "elevator": (Output(channel=2, pitch=1.0, reversed=True),),
        "throttle": (Output(channel=3),),
        "rudder": (Output(channel=4, yaw=1.0),),
        "aileron": (Output(channel=5, roll=1.0), Output(channel=6, roll=1.0)),
    },
    has_card=True,
)
INTRO = PAGES / "intro.txt"


def stored_answers() -> dict[str, Answers]:
    """The counts as last measured; empty before that."""
    if not ANSWERS.exists():
        return {}
    return {name: Answers(**one) for name, one in json.loads(ANSWERS.read_text(encoding="utf-8")).items()}


def pages(answers: dict[str, Answers]) -> dict[str, str]:
    """File name to text, of every page and the table."""
    intro = INTRO.read_text(encoding="utf-8")
    causes = PAGES / "errors" / "causes.md"
    told = causes.read_text(encoding="utf-8") if causes.exists() else ""
    made = {"README.md": intro + table(DETECTORS).replace("](", "](pages/") + told}
    for detector in DETECTORS:
        spec = detector.spec
        errors = PAGES / "errors" / f"{spec.id}.md"
        text = errors.read_text(encoding="utf-8") if errors.exists() else ""
        made[f"pages/{spec.id}.md"] = page(spec, answers.get(spec.id), text)
    return made


def measure() -> dict[str, Answers]:
    """Run every detector on every flight of the open logs."""
    runs: list[DetectorRun] = []
    for log in sorted(OPEN_DATA.glob("*.tlog")):
        for flight in split(read_log(log, CARD), CARD):
            runs.extend(run_all(flight, DETECTORS))
    return answers_of(runs)


def main() -> None:
    """Count, then write."""
    PAGES.mkdir(exist_ok=True)
    if OPEN_DATA.is_dir():
        counted = {name: asdict(one) for name, one in sorted(measure().items())}
        ANSWERS.write_text(json.dumps(counted, indent=1, sort_keys=True) + "\n", encoding="utf-8")
    else:
        print(f"{OPEN_DATA} is not here: the stored counts are kept")
    for name, text in pages(stored_answers()).items():
        (ROOT / "detectors" / name).write_text(text, encoding="utf-8")
        print(name)


if __name__ == "__main__":
    main()
