"""The steps of the per-log work as they are today."""

from __future__ import annotations

from trimkeep.detectors.flights import SPLITTER_VERSION, split
from trimkeep.detectors.registry import all_detectors
from trimkeep.detectors.run import run_all
from trimkeep.service.ingest.extract import Tools
from trimkeep.service.map_check import read_checked

TOOLS = Tools(
    read=read_checked, split=split, detectors=all_detectors, run=run_all, splitter_version=SPLITTER_VERSION
)
