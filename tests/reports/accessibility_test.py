"""axe-core finds no serious violation on any page, light or dark.

The checker comes with the package `axe-core-python`; the environment variable TRIMKEEP_AXE names the
`axe.min.js` of another release (`npm pack axe-core` fetches the newest).
"""

from __future__ import annotations

import json
import os
from collections.abc import Iterator
from importlib import resources
from pathlib import Path

import pytest

from tests.end_to_end.driven_browser import DrivenBrowser
from tests.reports.browser import BROWSER
from tests.reports.browser_test import NAMES, pages

AXE = os.environ.get("TRIMKEEP_AXE") or str(resources.files("axe_core_python") / "axe.min.js")
pytestmark = [
    pytest.mark.skipif(BROWSER is None, reason="no Chromium on this machine"),
]
# Where a rule is kept is not told, only that it is: to write down each place takes longer than to look.
REPORT = """axe.run({resultTypes: ["violations"]}).then(found => JSON.stringify([
  found.passes.length,
  found.violations.map(one => [one.impact, one.id, one.nodes[0].html.slice(0, 200)]),
]))"""


@pytest.fixture(scope="module")
def browser(tmp_path_factory: pytest.TempPathFactory) -> Iterator[DrivenBrowser]:
    """One for all pages, as wide as a desk's; scripts run in it, since the checker is one."""
    with DrivenBrowser(tmp_path_factory.mktemp("checked") / "profile") as started:
        started.call("Emulation.setScriptExecutionDisabled", value=False)
        started.call("Emulation.clearDeviceMetricsOverride")
        yield started


def checked(browser: DrivenBrowser, html: str, scheme: str, tmp_path: Path) -> tuple[int, list[list[str]]]:
    """How many rules a page keeps, and what it breaks: how bad, which rule, where.

    The page is left as it is: what the browser is told to run is not bound by what the page forbids.
    """
    page = tmp_path / "page.html"
    page.write_text(html, encoding="utf-8")
    wanted = [{"name": "prefers-color-scheme", "value": scheme}]
    browser.call("Emulation.setEmulatedMedia", features=wanted)
    browser.go(page.as_uri())
    browser.call("Runtime.evaluate", expression=Path(AXE).read_text(encoding="utf-8"))
    answer = browser.call("Runtime.evaluate", expression=REPORT, awaitPromise=True, returnByValue=True)
    passed, violations = json.loads(answer["result"]["value"])
    return passed, violations


@pytest.mark.parametrize("scheme", ["light", "dark"])
@pytest.mark.parametrize("name", NAMES)
def test_no_serious_violation(browser: DrivenBrowser, name: str, scheme: str, tmp_path: Path) -> None:
    passed, violations = checked(browser, pages()[name], scheme, tmp_path)
    assert passed > 10
    assert [one for one in violations if one[0] in ("serious", "critical")] == []


@pytest.mark.parametrize(("scheme", "broken"), [("light", set()), ("dark", {"color-contrast"})])
def test_the_checker_sees_what_is_wrong(
    browser: DrivenBrowser, scheme: str, broken: set[str], tmp_path: Path
) -> None:
    """A page that is at fault in the dark only, and one without a language, at fault in both."""
    style = "p { color: #000; background: #fff } @media (prefers-color-scheme: dark) { p { color: #eee } }"
    html = f"<!DOCTYPE html><title>a</title><style>{style}</style><main><h1>a</h1><p>words</p></main>"
    _, violations = checked(browser, html, scheme, tmp_path)
    assert {one[1] for one in violations if one[0] in ("serious", "critical")} == broken | {"html-has-lang"}
