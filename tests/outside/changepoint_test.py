"""The Nile at Aswan: one change, known to everyone, after 1898.

statsmodels.datasets.nile (R datasets "Nile"); Zeileis et al., J. Stat. Software 7 (2002): break at
observation 28, which is the last year of the old regime.
"""

from __future__ import annotations

import numpy as np
import pytest
import statsmodels.api as sm

from tests.detectors.history.builders import change, history, place_of
from trimkeep.config.judging import JudgeSettings
from trimkeep.detectors.history.fleet_model import FleetModel
from trimkeep.detectors.history.judge import judge_airframe
from trimkeep.detectors.history.model import Verdict
from trimkeep.detectors.history.steps_unknown import Scan, scan

NILE = sm.datasets.nile.load_pandas().data["volume"].to_numpy()


def look(value: np.ndarray) -> Scan:
    """The scan with no fleet behind it and no memory taken."""
    one = np.zeros(1)
    return scan(value[None], np.ones((1, value.size)), sigma=one, sigma_flights=one, rho=one)


def test_the_change_is_after_the_28th_year() -> None:
    found = look(NILE)
    place = place_of(found)
    assert not place.drift and place.start == 28  # 0-based first year of the new regime: 1899
    assert place.earliest <= 28 <= place.latest
    assert found.log_evidence[0] > np.log(1e6)
    assert found.ramp_share[0] < 0.1
    # means 1097.75 and 849.97; the years set aside as gross errors move them by less than half
    # of their standard error of 24
    assert found.level[0, place.hypothesis] == pytest.approx(1097.75, abs=12.0)
    assert found.rise[0, place.hypothesis] == pytest.approx(-247.78, abs=12.0)


def test_there_is_no_second_change() -> None:
    """The BIC of Zeileis et al. is least for one break."""
    for part in (NILE[:28], NILE[28:]):
        assert look(part).log_evidence[0] < np.log(5.0)


def test_shuffled_there_is_none() -> None:
    rng = np.random.default_rng(1898)
    evidence = [look(rng.permutation(NILE)).log_evidence[0] for _ in range(40)]
    assert np.mean(np.array(evidence) > np.log(20.0)) <= 0.05


def test_as_a_known_change_it_is_judged_with_its_size() -> None:
    """Hodges-Lehmann shift -260.0, mean shift -247.78; more water is better here."""
    series = history(NILE, better="higher", matters=50.0)
    finding = judge_airframe([series], [change(28)], FleetModel(), JudgeSettings())[0]
    assert finding.verdict is Verdict.WORSE and finding.effect is not None
    assert -265.0 < finding.effect.difference < -240.0
    assert finding.effect.low < -260.0 and finding.effect.high > -247.78
