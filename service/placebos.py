"""Keeping score: made-up changes on the fleet's own flights, and how often the judge fell for them."""

from __future__ import annotations

import zlib

import numpy as np

from trimkeep.config.settings import FleetSettings
from trimkeep.detectors.history.fleet_model import FleetModel
from trimkeep.detectors.history.model import Tier
from trimkeep.detectors.history.placebo import PlaceboScore, score_placebos
from trimkeep.service.judging import Judgement

UNEXPLAINED = ("unexplained_step", "drift")


def placebo_score(fleet: FleetSettings, judgement: Judgement, model: FleetModel) -> PlaceboScore:
    """The score over the series of a judging.

    The choice of series and flights is drawn from the model's version, so that the same store gives the
    same score, and a new fit another draw.
    """
    rng = np.random.default_rng(zlib.crc32(model.version.encode()))
    stirred = {
        (airframe, one.metric, one.context)
        for one in judgement.findings
        if one.kind in UNEXPLAINED and one.tier is Tier.CALLED
        for airframe in one.airframes
    }
    return score_placebos(
        judgement.series, judgement.changes, model, fleet.settings.judge, rng, stirred=stirred
    )
