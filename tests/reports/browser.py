"""A real browser on pages: how wide they are on a phone, what they fetch, what the console says."""

from __future__ import annotations

import base64
import json
import re
import shutil
import subprocess
from collections.abc import Mapping
from dataclasses import dataclass
from pathlib import Path

BROWSER = next(
    (found for name in ("chromium", "chromium-browser", "google-chrome") if (found := shutil.which(name))),
    None,
)
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


def browse(page: Path, profile: Path, *options: str) -> subprocess.CompletedProcess[str]:
    """Open a file in a browser of its own and wait for it to end."""
    assert BROWSER is not None
    command = [BROWSER, *OPTIONS, f"--user-data-dir={profile}", *options, page.as_uri()]
    return subprocess.run(command, capture_output=True, text=True, timeout=120, check=False)


@dataclass(frozen=True, slots=True)
class Look:
    """What a browser saw: of each page its figures, and the lines of the console."""

    pages: Mapping[str, Mapping[str, object]]
    console: tuple[str, ...]


def look_at(pages: Mapping[str, str], folder: Path) -> Look:
    """Open pages (name to HTML) on a phone's width, every folded part opened.

    Parameters
    ----------
    pages : mapping of name to HTML
    folder : Path
        For the browser's own files.
    """
    harness = folder / "harness.html"
    # A closing tag inside a string would end the harness's own script.
    listing = json.dumps(dict(pages)).replace("</", "<\\/")
    harness.write_text(HARNESS % (listing, PHONE_WIDTH), encoding="utf-8")
    run = browse(
        harness, folder / "profile", "--dump-dom", "--virtual-time-budget=10000", "--enable-logging=stderr"
    )
    found = re.search(r'<pre id="seen">([^<]+)</pre>', run.stdout)
    assert found, run.stderr[-2000:]
    console = tuple(line for line in run.stderr.splitlines() if "CONSOLE" in line)
    return Look(json.loads(base64.b64decode(found.group(1))), console)
