"""From the pattern over all metrics to ranked causes: what got worse, and what did not.

Each cause says how often each sign shows when it is at work (`causes.toml`, to be read and changed).
Signs are taken as independent given the cause; a sign of which nothing can be said yet counts for
nothing. It is a ranking of where to look first, not a diagnosis.
"""

from __future__ import annotations

import functools
import tomllib
from collections import defaultdict
from collections.abc import Collection, Iterable, Mapping, Sequence
from dataclasses import dataclass, replace
from importlib import resources
from typing import Any

import numpy as np

from trimkeep.detectors.history.model import Finding, LikelyCause, Verdict


@dataclass(frozen=True, slots=True)
class Sign:
    """Something that shows or does not. `alone`: only for findings of its own family."""

    name: str
    families: tuple[str, ...]
    metrics: tuple[str, ...]
    alone: bool
    evidence_for: str
    evidence_against: str

    def concerns(self, family: str, metric: str) -> bool:
        """Whether a metric belongs to this sign."""
        return family in self.families and (not self.metrics or any(m in metric for m in self.metrics))


@dataclass(frozen=True, slots=True)
class CauseRule:
    """One cause: how usual, after which work likelier, which signs with what probability.

    `checks`: by sign, what to check instead of `next_check` where that sign is what is to be explained.
    """

    name: str
    prior: float
    next_check: str
    checks: Mapping[str, str]
    kinds: Mapping[str, float]
    p: Mapping[str, float]


@dataclass(frozen=True, slots=True)
class CauseTable:
    """All signs and causes."""

    chance: float
    shown_from: float
    most_shown: int
    signs: tuple[Sign, ...]
    causes: tuple[CauseRule, ...]


@dataclass(frozen=True, slots=True)
class Observed:
    """What is said of one metric in one context."""

    family: str
    metric: str
    context: str
    verdict: Verdict


def cause_table_from_toml(text: str) -> CauseTable:
    """Read a table of causes.

    Raises
    ------
    ValueError
        A probability outside 0 to 1, or a cause that names a sign that does not exist.
    """
    content: dict[str, Any] = tomllib.loads(text)
    signs = tuple(
        Sign(
            s["name"],
            tuple(s["families"]),
            tuple(s.get("metrics", ())),
            s.get("alone", False),
            s["for"],
            s["against"],
        )
        for s in content["sign"]
    )
    names = {sign.name for sign in signs}
    causes = tuple(
        CauseRule(
            c["name"], c["prior"], c.get("next_check", ""), c.get("checks", {}), c.get("kinds", {}), c["p"]
        )
        for c in content["cause"]
    )
    for cause in causes:
        unknown = (set(cause.p) | set(cause.checks)) - names
        if unknown:
            raise ValueError(f"cause {cause.name} names signs that do not exist: {sorted(unknown)}")
        if not all(0.0 < p < 1.0 for p in (*cause.p.values(), cause.prior)):
            raise ValueError(f"cause {cause.name}: probabilities must lie between 0 and 1")
    return CauseTable(content["chance"], content["shown_from"], content["most_shown"], signs, causes)


@functools.cache
def shipped_causes() -> CauseTable:
    """The table that comes with the program."""
    path = resources.files("trimkeep.detectors.history").joinpath("causes.toml")
    return cause_table_from_toml(path.read_text(encoding="utf-8"))


def signs_seen(observed: Iterable[Observed], table: CauseTable) -> dict[str, bool]:
    """Sign to whether it shows; signs of which nothing can be said yet are left out."""
    bad: dict[str, bool] = {}
    for one in observed:
        if one.verdict is Verdict.TOO_EARLY:
            continue
        worse = one.verdict in (Verdict.WORSE, Verdict.ATTENTION)
        for sign in table.signs:
            if sign.concerns(one.family, one.metric):
                bad[sign.name] = bad.get(sign.name, False) or worse
    return bad


def rank_causes(
    observed: Sequence[Observed],
    kinds: Collection[str],
    *,
    family: str = "",
    innocent: Collection[str] = (),
    table: CauseTable | None = None,
) -> tuple[LikelyCause, ...]:
    """Causes of what is observed, likeliest first.

    Parameters
    ----------
    observed : sequence of Observed
        All metrics of one airframe around one change, the unchanged ones too: they speak as loudly.
    kinds : collection of str
        Kinds of the change (`firmware`, `servo`, ...), or `drift`.
    family : str
        Family of the finding to be explained; decides whether signs that stand alone take part.
    innocent : collection of str
        Kinds of earlier changes that made no difference: what they touch is less likely the cause.
    table : CauseTable, optional
        The shipped one by default.

    Returns
    -------
    tuple of LikelyCause
        Probabilities sum to at most one; the improbable are left out. Empty when nothing is wrong.

    Examples
    --------
    >>> worse = Observed("vibration", "vibration_rms_mps2", "held_level", Verdict.WORSE)
    >>> rank_causes([worse], ["propeller"], family="vibration")[0].cause
    'propeller_imbalance'
    """
    table = table or shipped_causes()
    seen = signs_seen(observed, table)
    ground = any(s.alone and family in s.families for s in table.signs)
    signs = [s for s in table.signs if s.name in seen and s.alone == ground]
    if not any(seen[s.name] for s in signs):
        return ()
    own = [s.name for s in signs if seen[s.name] and family in s.families]
    causes = [cause for cause in table.causes if _explains(cause, own, table)]
    logs = np.array([_log_likelihood(cause, signs, seen, kinds, innocent, table) for cause in causes])
    probability = np.exp(logs - logs.max())
    probability /= probability.sum()
    order = np.argsort(-probability, kind="stable")[: table.most_shown]
    return tuple(
        _likely(causes[k], float(probability[k]), signs, seen, own, kinds, innocent, table)
        for k in order
        if probability[k] >= table.shown_from
    )


def _explains(cause: CauseRule, own: Sequence[str], table: CauseTable) -> bool:
    """Whether a cause can bring about what is to be explained, or says that nothing known does."""
    return not own or not cause.p or any(cause.p.get(name, 0.0) > table.chance for name in own)


def _fits(cause: CauseRule, kinds: Collection[str]) -> float:
    return max((cause.kinds.get(kind, 1.0) for kind in kinds), default=1.0)


def _log_likelihood(
    cause: CauseRule,
    signs: Sequence[Sign],
    seen: Mapping[str, bool],
    kinds: Collection[str],
    innocent: Collection[str],
    table: CauseTable,
) -> float:
    total = float(np.log(cause.prior * _fits(cause, kinds)))
    # a change that touched just this and made no difference halves the suspicion, no more:
    # it may have been the wrong part, or done badly
    if _fits(cause, innocent) >= 3.0 and _fits(cause, kinds) == 1.0:
        total -= float(np.log(2.0))
    for sign in signs:
        # a sign that stands alone has nothing to do with other causes
        p = cause.p.get(sign.name, 0.01 if sign.alone else table.chance)
        total += float(np.log(p if seen[sign.name] else 1.0 - p))
    return total


def _likely(
    cause: CauseRule,
    probability: float,
    signs: Sequence[Sign],
    seen: Mapping[str, bool],
    own: Sequence[str],
    kinds: Collection[str],
    innocent: Collection[str],
    table: CauseTable,
) -> LikelyCause:
    speaks_for = [s.evidence_for for s in signs if seen[s.name] and cause.p.get(s.name, 0.0) >= 0.3]
    speaks_against = [
        s.evidence_against for s in signs if not seen[s.name] and cause.p.get(s.name, 0.0) >= 0.6
    ]
    strange = [s.evidence_for for s in signs if seen[s.name] and cause.p.get(s.name, table.chance) <= 0.05]
    if _fits(cause, kinds) > 1.0:
        speaks_for.append("came_slowly" if "drift" in kinds else "change_touched_it")
    if _fits(cause, innocent) >= 3.0:
        speaks_against.append("earlier_change_made_no_difference")
    check = next((cause.checks[name] for name in own if name in cause.checks), cause.next_check)
    return LikelyCause(cause.name, probability, tuple(speaks_for), tuple(speaks_against + strange), check)


def with_causes(findings: Sequence[Finding], table: CauseTable | None = None) -> tuple[Finding, ...]:
    """The same findings, those that tell of something wrong with their likely causes.

    What belongs together: on one airframe all metrics around one change; else all that is unexplained
    or stands in the newest flights. Attention in the newest flights counts for every group.
    """
    table = table or shipped_causes()
    groups: dict[tuple[str, str], list[Finding]] = defaultdict(list)
    standing: dict[str, list[Finding]] = defaultdict(list)
    harmless: dict[str, dict[str, set[Verdict]]] = defaultdict(lambda: defaultdict(set))
    for one in findings:
        groups[_group(one)].append(one)
        for airframe in one.airframes if one.scope == "airframe" else ():
            if one.kind == "condition_of_flight":
                standing[airframe].append(one)
            elif one.kind == "known_change" and one.change is not None:
                for kind in one.change.kinds:
                    harmless[airframe][kind].add(one.verdict)
    result = []
    for one in findings:
        if one.verdict not in (Verdict.WORSE, Verdict.ATTENTION):
            result.append(one)
            continue
        airframe = one.airframes[0] if one.scope == "airframe" else ""
        own_kinds, together_with = _told_apart(one, findings)
        together = [*groups[_group(one)], *(f for f in standing[airframe] if f.kind != one.kind)]
        observed = [Observed(f.family, f.metric, f.context, f.verdict) for f in together]
        # a kind is innocent when every verdict on it so far is that it made no difference
        innocent = [
            kind
            for kind, verdicts in sorted(harmless[airframe].items())
            if verdicts == {Verdict.NO_MATERIAL_CHANGE} and kind not in own_kinds
        ]
        causes = rank_causes(observed, own_kinds, family=one.family, innocent=innocent, table=table)
        if together_with:
            causes = tuple(replace(c, evidence_against=(*c.evidence_against, "coincides")) for c in causes)
        result.append(replace(one, likely_causes=causes))
    return tuple(result)


def _kinds(finding: Finding) -> tuple[str, ...]:
    if finding.kind == "drift":
        return ("drift",)
    return finding.change.kinds if finding.kind == "known_change" and finding.change is not None else ()


def _told_apart(finding: Finding, findings: Sequence[Finding]) -> tuple[tuple[str, ...], bool]:
    """Kinds that a finding may be put down to, and whether several remain that nothing separates.

    Of changes made together those that the fleet shows to do the same elsewhere are blamed, those it
    shows to do nothing are cleared.
    """
    kinds = _kinds(finding)
    if finding.scope == "fleet" or len(kinds) < 2:
        return kinds, False
    blamed: set[str] = set()
    cleared: set[str] = set()
    for other in findings:
        same = (other.metric, other.context) == (finding.metric, finding.context)
        if other.scope == "fleet" and same and other.change is not None:
            part = set(other.change.kinds)
            if part < set(kinds):
                (blamed if other.verdict is finding.verdict else cleared).update(
                    part if other.verdict in (finding.verdict, Verdict.NO_MATERIAL_CHANGE) else ()
                )
    left = tuple(k for k in kinds if k in blamed) or tuple(k for k in kinds if k not in cleared) or kinds
    return left, len(left) > 1


def _group(finding: Finding) -> tuple[str, str]:
    if finding.scope == "fleet":
        return "fleet", finding.change.id if finding.change is not None else finding.id
    airframe = finding.airframes[0]
    if finding.kind == "known_change" and finding.change is not None:
        return airframe, finding.change.id
    return airframe, finding.kind
