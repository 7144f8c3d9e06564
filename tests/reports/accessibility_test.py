"""axe-core finds no serious violation on any page, light or dark.

The checker comes with the package `axe-core-python`; the environment variable TRIMKEEP_AXE names the
`axe.min.js` of another release (`npm pack axe-core` fetches the newest).
"""

from __future__ import annotations

import base64
import json
import os
import re
from importlib import resources
from pathlib import Path

import pytest

from tests.reports.browser import BROWSER, browse
from tests.reports.browser_test import NAMES, pages

AXE = os.environ.get("TRIMKEEP_AXE") or str(resources.files("axe_core_python") / "axe.min.js")
pytestmark = [
    pytest.mark.skipif(BROWSER is None, reason="no Chromium on this machine"),
]
REPORT = """<script>axe.run().then(found => {
  const box = document.createElement("pre");
  box.id = "found";
  const lines = found.violations.map(one => [one.impact, one.id, one.nodes[0].html.slice(0, 200)]);
  box.textContent = btoa(unescape(encodeURIComponent(JSON.stringify([found.passes.length, lines]))));
  document.body.append(box);
});</script>"""


@pytest.mark.parametrize("scheme", ["light", "dark"])
@pytest.mark.parametrize("name", NAMES)
def test_no_serious_violation(name: str, scheme: str, tmp_path: Path) -> None:
    # The page forbids scripts; for the checker's own script that rule is taken out of the copy.
    html = re.sub(r'<meta http-equiv="Content-Security-Policy"[^>]*>', "", pages()[name])
    checker = Path(AXE).read_text(encoding="utf-8").replace("</script", "<\\/script")
    page = tmp_path / "page.html"
    page.write_text(html.replace("</body>", f"<script>{checker}</script>{REPORT}</body>"), encoding="utf-8")
    options = ["--dump-dom", "--virtual-time-budget=20000"]
    if scheme == "dark":
        options.append("--blink-settings=preferredColorScheme=0")
    run = browse(page, tmp_path / "profile", *options)
    found = re.search(r'<pre id="found">([^<]+)</pre>', run.stdout)
    assert found, run.stderr[-2000:]
    passed, violations = json.loads(base64.b64decode(found.group(1)))
    assert passed > 10
    assert [one for one in violations if one[0] in ("serious", "critical")] == []
