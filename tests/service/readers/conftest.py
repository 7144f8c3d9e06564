"""What the readers' tests share."""

from __future__ import annotations

from collections.abc import Iterator

import pytest

from trimkeep.service.readers import tlog_kernel


@pytest.fixture(scope="module", params=["compiled", "arrays"])
def both_ways(request: pytest.FixtureRequest) -> Iterator[None]:
    """The tests of a module with the compiled loops and with the array code, which is the definition."""
    if request.param == "compiled" and not tlog_kernel.compiled():
        pytest.skip("installed without the compiled loops")
    with pytest.MonkeyPatch.context() as patch:
        if request.param == "arrays":
            patch.setattr(tlog_kernel, "kernel", None)
        yield
