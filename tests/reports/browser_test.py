"""A real browser opens every kind of page: no error, no sideways scroll on a phone, nothing fetched."""

from __future__ import annotations

import base64
import json
import re
import shutil
import subprocess
from pathlib import Path

import pytest

from tests.reports import page_examples, record_examples
from tests.reports.examples import busy_week, quiet_week
from trimkeep.reports.compose import compose_digest
from trimkeep.reports.compose_flight import compose_inspect
from trimkeep.reports.compose_pages import compose_airframe, compose_board, compose_finding
from trimkeep.reports.compose_record import compose_record
from trimkeep.reports.render import (
    render_airframe,
    render_board,
    render_digest,
    render_finding,
    render_inspect,
    render_record,
)

BROWSER = next(
    (found for name in ("chromium", "chromium-browser", "google-chrome") if (found := shutil.which(name))),
    None,
)
pytestmark = pytest.mark.skipif(BROWSER is None, reason="no Chromium on this machine")
PHONE_WIDTH = 360
OPTIONS = (
    "--headless",
    "--no-sandbox",
    "--disable-gpu",
    "--disable-quic",
    "--no-first-run",
    "--disable-background-networking",
    "--disable-component-update",
    "--disable-sync",
    "--hide-scrollbars",
)
# The pages forbid scripts, so a frame around them measures: each page stands in a frame as wide as a phone
# (a window of its own cannot be made that narrow), all its folded parts opened.
HARNESS = """<!DOCTYPE html><meta charset="utf-8"><body><script>
const pages = %s;
const seen = {};
for (const [name, html] of Object.entries(pages)) {
  const frame = document.createElement("iframe");
  frame.style = "width:%dpx;height:900px;border:0";
  frame.onload = () => {
    const page = frame.contentDocument;
    page.querySelectorAll("details").forEach(part => part.open = true);
    seen[name] = {
      width: page.documentElement.scrollWidth,
      fetched: frame.contentWindow.performance.getEntriesByType("resource").length,
      title: page.title,
      plots: [...page.querySelectorAll("svg")].filter(one => one.getBoundingClientRect().width < 1).length,
      small: [...page.querySelectorAll("p,li,td,th,h1,h2,h3,summary")]
        .filter(one => parseFloat(frame.contentWindow.getComputedStyle(one).fontSize) < 12).length,
    };
    if (Object.keys(seen).length == Object.keys(pages).length) {
      const box = document.createElement("pre");
      box.id = "seen";
      box.textContent = btoa(unescape(encodeURIComponent(JSON.stringify(seen))));
      document.body.append(box);
    }
  };
  frame.srcdoc = html;
  document.body.append(frame);
}
</script>"""


def pages() -> dict[str, str]:
    flight, runs, specs = page_examples.flight()
    return {
        "digest": render_digest(compose_digest(busy_week())),
        "quiet digest": render_digest(compose_digest(quiet_week())),
        "board": render_board(compose_board(page_examples.board())),
        "airframe": render_airframe(compose_airframe(page_examples.airframe())),
        "finding": render_finding(compose_finding(page_examples.finding())),
        "flight": render_inspect(compose_inspect(flight, runs, specs, page_examples.setting())),
        "record": render_record(compose_record(record_examples.record())),
    }


def browse(page: Path, profile: Path, *options: str) -> subprocess.CompletedProcess[str]:
    """Open a file in a browser of its own and wait for it to end."""
    assert BROWSER is not None
    command = [BROWSER, *OPTIONS, f"--user-data-dir={profile}", *options, page.as_uri()]
    return subprocess.run(command, capture_output=True, text=True, timeout=120, check=False)


@pytest.fixture(scope="module")
def seen(tmp_path_factory: pytest.TempPathFactory) -> dict[str, dict[str, object]]:
    folder = tmp_path_factory.mktemp("browser")
    harness = folder / "harness.html"
    # A closing tag inside a string would end the harness's own script.
    listing = json.dumps(pages()).replace("</", "<\\/")
    harness.write_text(HARNESS % (listing, PHONE_WIDTH), encoding="utf-8")
    run = browse(
        harness, folder / "profile", "--dump-dom", "--virtual-time-budget=10000", "--enable-logging=stderr"
    )
    found = re.search(r'<pre id="seen">([^<]+)</pre>', run.stdout)
    assert found, run.stderr[-2000:]
    measured: dict[str, dict[str, object]] = json.loads(base64.b64decode(found.group(1)))
    measured["console"] = {"lines": [line for line in run.stderr.splitlines() if "CONSOLE" in line]}
    return measured


NAMES = ["digest", "quiet digest", "board", "airframe", "finding", "flight"]


@pytest.mark.parametrize("name", NAMES)
def test_no_sideways_scroll_on_a_phone(seen: dict[str, dict[str, object]], name: str) -> None:
    assert seen[name]["width"] == PHONE_WIDTH


@pytest.mark.parametrize("name", NAMES)
def test_nothing_is_fetched_and_every_drawing_has_room(seen: dict[str, dict[str, object]], name: str) -> None:
    assert seen[name]["fetched"] == 0
    assert seen[name]["plots"] == 0
    assert seen[name]["small"] == 0
    assert seen[name]["title"]


def test_the_console_stays_empty(seen: dict[str, dict[str, object]]) -> None:
    assert seen["console"]["lines"] == []


def test_it_prints(tmp_path: Path) -> None:
    page, printed = tmp_path / "digest.html", tmp_path / "digest.pdf"
    page.write_text(pages()["digest"], encoding="utf-8")
    browse(page, tmp_path / "profile", f"--print-to-pdf={printed}")
    assert printed.read_bytes().startswith(b"%PDF")
