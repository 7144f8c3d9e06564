"""What is said of a sample fleet against what was planted in it: `python -m tests.benchmarks.demo_truth`.

Builds the sample fleet (or takes one by `--fleet`: the folder that holds `fleet/` and `truth.json`), reads
and judges it, and prints a line for everything planted: was it found, called or only watched, was the right
change blamed, is the right cause named first; then every called `worse` or `better` that nothing planted
accounts for. `--random AIRFRAMES` builds another fleet, each airframe with one thing wrong or nothing.
Nothing here is used in setting any limit.
"""

from __future__ import annotations

import argparse
import hashlib
import json
import tempfile
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any

import numpy as np

from trimkeep.config.judging import JudgeSettings
from trimkeep.config.load import load_fleet
from trimkeep.detectors.history.causes import with_causes
from trimkeep.detectors.history.fleet_model import fit_fleet_model
from trimkeep.detectors.history.judge import finding_id, judge_whole
from trimkeep.detectors.history.model import Finding, Series, Tier, Verdict
from trimkeep.detectors.history.single_flights import judge_single_flights
from trimkeep.detectors.registry import load_registry
from trimkeep.sample_fleet.make import build_fleet
from trimkeep.sample_fleet.random_scenarios import random_scenario
from trimkeep.sample_fleet.scenario import load_scenario
from trimkeep.service.changes import load_changes
from trimkeep.service.ingest.fleet import ingest_fleet
from trimkeep.service.judging import card_thresholds
from trimkeep.service.store.connection import open_store
from trimkeep.service.store.flights import load_flights
from trimkeep.service.store.series import load_series

NEAR = 2
"""Flights by which the place of a step may be off."""
MOVED = (Verdict.WORSE, Verdict.BETTER)
HARMLESS = frozenset({"no_effect_update"})
EXPECTED: Mapping[str, tuple[tuple[str, ...], str]] = {
    "elevator_play": (("linkage", "oscillation"), "linkage_play"),
    "aileron_play": (("linkage", "oscillation"), "linkage_play"),
    "elevator_stiction": (("linkage", "oscillation"), "linkage_play"),
    "elevator_two_centres": (("linkage", "oscillation"), "linkage_play"),
    "loop_gain": (("altitude_hold", "loop_response", "oscillation"), "loop_gain"),
    "rate_limit_too_high": (("rate_limits", "settings"), "rate_limit_too_high"),
    "elevator_trim": (("trim",), "out_of_trim"),
    "low_throw": (("authority", "loop_response"), "low_authority"),
    "estimator_turn_error": (("attitude_estimate",), "estimator_turn_error"),
    "propeller_imbalance": (("vibration",), "propeller_imbalance"),
    "propulsion_loss": (("energy",), "propulsion_loss"),
    "battery_ageing": (("energy",), "wear"),
    "airspeed_scale": (("sensors",), ""),
    "left_armed": (("ground_handling",), "armed_on_ground"),
    "tune_runaway": (("settings", "loop_response"), "tune_runaway"),
}
"""In a random fleet: families in which a fault ought to show, and the cause that ought to be named."""


@dataclass(frozen=True, slots=True)
class Planted:
    """One thing that should be said: of an airframe (or of a firmware over the fleet, `order` None).

    `order` is where the first flight with it stands in the airframe's history, None where it is there
    from the start or grows; `verdict` "" takes worse and better alike, `kinds` () every kind.
    """

    airframe: str
    what: str
    families: tuple[str, ...]
    verdict: str
    kinds: tuple[str, ...]
    cause: str
    order: int | None
    firmware: str = ""


@dataclass(frozen=True, slots=True)
class Judged:
    """Findings of a built fleet, and where each flight of the truth stands in its airframe's history."""

    findings: tuple[Finding, ...]
    orders: Mapping[tuple[str, int], int]
    series: tuple[Series, ...]
    settings: JudgeSettings

    def when_due(self, wanted: Planted) -> Sequence[Finding]:
        """Findings at the end; what one flight shows by itself, as they were after that flight."""
        if "condition_of_flight" not in wanted.kinds or wanted.order is None:
            return self.findings
        upto = [
            replace(one, points=tuple(p for p in one.points if p.order <= wanted.order))
            for one in self.series
            if one.airframe == wanted.airframe
        ]
        shown = with_causes(judge_single_flights(upto, self.settings, finding_id))
        at = {p.flight_id for one in upto for p in one.points if p.order == wanted.order}
        return [one for one in shown if at & set(one.evidence_flights)]


def judged(folder: Path, truth: Mapping[str, Any]) -> Judged:
    """Read what is new in a fleet, learn from it, judge the whole; the store's findings stay as they are."""
    fleet = load_fleet(folder / "fleet")
    ingest_fleet(fleet, workers=1)
    store = open_store(fleet.state)
    specs = [detector.spec for detector in load_registry()]
    series = load_series(store, specs, card_thresholds(fleet))
    changes = load_changes(store, fleet.time_zone)
    found = judge_whole(series, changes, fit_fleet_model(series, changes), fleet.settings.judge)
    by_hash = {r.log_sha256: f.order for f in load_flights(store) for r in f.recordings}
    orders = {}
    for airframe in truth["airframes"]:
        for flight in airframe["flights"]:
            path = next((folder / "fleet" / airframe["id"]).rglob(Path(flight["file"]).name))
            order = by_hash.get(hashlib.sha256(path.read_bytes()).hexdigest())
            if order is not None:
                orders[airframe["id"], flight["number"]] = order
    return Judged(found.findings, orders, series, fleet.settings.judge)


def planted(truth: Mapping[str, Any], orders: Mapping[tuple[str, int], int]) -> Iterator[Planted]:
    """Everything that should be said."""
    for airframe in truth["airframes"]:
        name = airframe["id"]
        for told in airframe["expect"]:
            yield _told(name, told, "all season", None)
        for change in airframe["changes"]:
            at = orders.get((name, change["before_flight"]))
            for told in change["expect"]:
                what = ", ".join([f["kind"] for f in change["begins"]] + [f"no {k}" for k in change["ends"]])
                yield _told(name, told, f"{what} before flight {change['before_flight']}", at)
            if not change["expect"]:
                for fault in change["begins"]:
                    if fault["kind"] in EXPECTED:
                        families, cause = EXPECTED[fault["kind"]]
                        what = f"{fault['kind']} {fault['size']:.3g} before flight {change['before_flight']}"
                        yield Planted(name, what, families, "", (), cause, at)
        for mishap in airframe["single_flights"]:
            for told in mishap["expect"]:
                yield _told(name, told, f"flight {mishap['flight']}", orders.get((name, mishap["flight"])))
    for told in truth["fleet_expect"]:
        yield Planted(
            "", f"firmware {told['firmware']} on {len(told['airframes'])}", (told["family"],),
            told["verdict"], ("known_change",), "", None, told["firmware"],
        )  # fmt: skip


def _told(airframe: str, told: Mapping[str, str], what: str, order: int | None) -> Planted:
    families, kinds = (told["family"],), (told["kind"],)
    return Planted(airframe, what, families, told["verdict"], kinds, told["cause"], order)


def about(one: Finding, wanted: Planted) -> bool:
    """Whether a finding is about the same airframe, family and place, whatever it says."""
    if one.family not in wanted.families:
        return False
    if wanted.firmware:
        items = one.change.items if one.change is not None else ()
        return one.scope == "fleet" and any(i.after.strip() == wanted.firmware for i in items)
    if one.scope != "airframe" or one.airframes != (wanted.airframe,):
        return False
    if wanted.kinds and one.kind not in wanted.kinds:
        return False
    if wanted.order is None or one.kind in ("drift", "condition_of_flight"):
        return True
    return one.change is not None and abs(one.change.first_order - wanted.order) <= NEAR


def agrees(one: Finding, wanted: Planted) -> bool:
    """Whether it says what it should."""
    if wanted.verdict:
        return one.verdict.value == wanted.verdict
    return one.verdict in MOVED or one.verdict is Verdict.ATTENTION


def line(wanted: Planted, findings: Sequence[Finding]) -> tuple[str, str]:
    """How it went, in a word, and the row of the table."""
    near = [one for one in findings if about(one, wanted)]
    right = sorted((one for one in near if agrees(one, wanted)), key=_strength)
    said = next((one for one in right), None)
    how = "missed" if said is None else "called" if said.tier is Tier.CALLED else "watched"
    shown = said or min(near, key=_strength, default=None)
    told = (
        "nothing"
        if shown is None
        else f"{shown.kind} {shown.verdict.value} ({shown.metric}, {shown.context})"
    )
    cause = said.likely_causes[0].cause if said is not None and said.likely_causes else "-"
    right_cause = "-"
    if wanted.cause and said is not None and said.verdict is not Verdict.BETTER:
        right_cause = "yes" if cause == wanted.cause else f"no: {cause}"
    expected = f"{'/'.join(wanted.families)} {wanted.verdict or 'worse'}"
    row = f"| {wanted.airframe or 'fleet'} | {wanted.what} | {expected} | {how} | {told} | {right_cause} |"
    return how, row


def _strength(one: Finding) -> tuple[bool, float]:
    return one.tier is not Tier.CALLED, -(one.e_value or 0.0)


@dataclass(frozen=True, slots=True)
class Guilt:
    """Where something real was planted: `places` by airframe, `work` as (airframe, kind of work), and
    airframes on which something grows."""

    places: Mapping[str, frozenset[int]]
    work: frozenset[tuple[str, str]]
    growing: frozenset[str]

    def accounts_for(self, one: Finding) -> bool:
        """Whether something real was planted where the finding points."""
        if one.scope == "fleet":
            kinds = one.change.kinds if one.change is not None else ()
            return any((name, kind) in self.work for name in one.airframes for kind in kinds)
        if one.kind == "drift":
            return one.airframes[0] in self.growing
        order = one.change.first_order if one.change is not None else -99
        return any(abs(order - at) <= NEAR for at in self.places.get(one.airframes[0], ()))


def guilt(truth: Mapping[str, Any], orders: Mapping[tuple[str, int], int]) -> Guilt:
    """Everything real that was planted."""
    places: dict[str, set[int]] = {}
    work, growing = set(), set()
    for airframe in truth["airframes"]:
        name = airframe["id"]
        growing.update([name] if airframe["expect"] else [])
        for change in airframe["changes"]:
            if not change["ends"] and all(f["kind"] in HARMLESS for f in change["begins"]):
                continue
            work.update((name, entry["kind"]) for entry in change["journal"])
            if (name, change["before_flight"]) in orders:
                places.setdefault(name, set()).add(orders[name, change["before_flight"]])
    return Guilt({k: frozenset(v) for k, v in places.items()}, frozenset(work), frozenset(growing))


def unfounded(truth: Mapping[str, Any], found: Judged) -> tuple[list[Finding], list[Finding]]:
    """Called `worse` or `better` that nothing planted accounts for, and those that something else does.

    The second: the right airframe and place, but a metric that the truth file does not speak of; a fault
    shows in more than one.
    """
    wanted, guilty = list(planted(truth, found.orders)), guilt(truth, found.orders)
    false, beside = [], []
    for one in found.findings:
        if one.tier is not Tier.CALLED or one.verdict not in MOVED:
            continue
        if any(about(one, w) and agrees(one, w) for w in wanted):
            continue
        (beside if guilty.accounts_for(one) else false).append(one)
    return false, beside


def report(folder: Path) -> None:
    """Judge a built fleet and print the score."""
    truth = json.loads((folder / "truth.json").read_text(encoding="utf-8"))
    found = judged(folder, truth)
    print(f"\n{truth['name']}, seed {truth['seed']}: {len(truth['airframes'])} airframes\n")
    print("| airframe | planted | should be said | found | said | cause |\n|---|---|---|---|---|---|")
    counts = {"called": 0, "watched": 0, "missed": 0}
    for wanted in planted(truth, found.orders):
        how, row = line(wanted, found.when_due(wanted))
        counts[how] += 1
        print(row)
    false, beside = unfounded(truth, found)
    called = sum(one.tier is Tier.CALLED and one.verdict in MOVED for one in found.findings)
    print(f"\nOf {sum(counts.values())}: " + ", ".join(f"{n} {how}" for how, n in counts.items()) + ".")
    print(
        f"Called worse or better: {called}; on the right airframe and place in another metric: {len(beside)};"
    )
    print(f"that nothing planted accounts for: {len(false)}.")
    for one in false:
        place = "" if one.change is None else f" at order {one.change.first_order} {one.change.kinds}"
        print(
            f"- {'+'.join(one.airframes)}: {one.kind} {one.verdict.value}, {one.metric} {one.context}{place},"
            f" {one.flights_before}+{one.flights_after} flights, evidence {one.e_value or 0:.0f}"
        )


def main() -> None:
    """Build what was asked for, or take it, and score it."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--fleet", type=Path, help="folder that holds fleet/ and truth.json")
    parser.add_argument("--seed", type=int, default=20260301, help="of the fleet that is built")
    parser.add_argument("--random", type=int, default=0, metavar="AIRFRAMES", help="not the demo's story")
    parser.add_argument("--flights", type=int, default=24, help="of each airframe of a random fleet")
    parser.add_argument("--into", type=Path, help="keep what is built here")
    options = parser.parse_args()
    if options.fleet is not None:
        report(options.fleet)
        return
    scenario = load_scenario()
    if options.random:
        scenario = random_scenario(
            np.random.default_rng(options.seed),
            airframes=options.random,
            flights=options.flights,
            styles=("on_board", "field"),
        )
    with tempfile.TemporaryDirectory() as made:
        folder = options.into or Path(made)
        folder.mkdir(parents=True, exist_ok=True)
        build_fleet(folder, scenario, seed=options.seed, workers=1)
        report(folder)


if __name__ == "__main__":
    main()
