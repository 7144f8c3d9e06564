"""Make the pictures in the README anew: `python -m tests.screenshots trimkeep-demo/fleet`.

Needs Chromium and the fleet that `trimkeep demo` made. What is shown is picked by what it is, not by its id:
the digest, the page of the clearest change over two airframes, the page of the airframe that wears.
"""

from __future__ import annotations

import argparse
import sys
import tempfile
from collections.abc import Callable
from pathlib import Path

from PIL import Image

from tests.reports.browser import browse
from trimkeep.detectors.history.model import Finding, Tier, Verdict
from trimkeep.service.cli.options import open_fleet
from trimkeep.service.store.connection import open_store
from trimkeep.service.store.findings import load_findings

TARGET = Path(__file__).resolve().parents[1] / "reports" / "screenshots"
SIZES = {"digest": (1080, 1500), "phone": (500, 1000), "finding": (1080, 1500), "airframe": (1080, 1300)}
COLOURS = 192
"""With fewer the small marks in colour come out grey; the files stay small."""


def main() -> None:
    """Take them all."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("fleet", type=Path, help="the demo's fleet folder")
    options = parser.parse_args()
    digests = options.fleet.resolve() / "digests"
    found = findings(options.fleet)
    change = pick(found, lambda one: one.scope == "fleet" and one.verdict is Verdict.WORSE)
    wear = pick(found, lambda one: one.kind == "drift" and one.verdict is Verdict.WORSE)
    pages = {
        "digest": digests / "latest.html",
        "phone": digests / "latest.html",
        "finding": page(digests, f"finding-{change.id}"),
        "airframe": page(digests, f"airframe-{wear.airframes[0]}"),
    }
    TARGET.mkdir(exist_ok=True)
    for name, path in pages.items():
        take(path, TARGET / f"{name}.png", SIZES[name])


def findings(fleet: Path) -> tuple[Finding, ...]:
    """What the judge said last."""
    return load_findings(open_store(open_fleet(fleet, None).state))


def pick(found: tuple[Finding, ...], wanted: Callable[[Finding], bool]) -> Finding:
    """The first that is wanted, called before watched."""
    mine = sorted(
        (one for one in found if wanted(one)), key=lambda one: (one.tier is not Tier.CALLED, one.id)
    )
    if not mine:
        sys.exit("That fleet shows nothing of the kind: is it the demo's?")
    return mine[0]


def page(digests: Path, start: str) -> Path:
    """The page whose name begins so."""
    return next((digests / "pages").glob(f"{start}*.html"))


def take(source: Path, target: Path, size: tuple[int, int]) -> None:
    """One picture of the top of a page."""
    with tempfile.TemporaryDirectory() as folder:
        raw = Path(folder) / "raw.png"
        size_option = f"--window-size={size[0]},{size[1]}"
        browse(source, Path(folder) / "profile", f"--screenshot={raw}", size_option)
        with Image.open(raw) as picture:
            small = picture.convert("RGB").quantize(COLOURS, dither=Image.Dither.NONE)
            small.save(target, optimize=True)
    print(f"{target}: {target.stat().st_size // 1024} KiB")


if __name__ == "__main__":
    main()
