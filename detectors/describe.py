"""A page per detector and a table of all, in Markdown, made from their descriptions.

How often a detector answered on real logs is measured by whoever has them and handed in.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, field

from trimkeep.detectors.model import Detector, DetectorRun, DetectorSpec, Metric, Outcome

BETTER = {
    "lower": "lower is better",
    "higher": "higher is better",
    "nearer_zero": "nearer to zero is better",
    "none": "neither: for context, never judged",
}


@dataclass(frozen=True, slots=True)
class Answers:
    """How a detector fared on a set of real flights.

    Parameters
    ----------
    flights, measured : int
    reasons : mapping of str to int
        Reason (with its detail cut off) to flights not measured for it.
    """

    flights: int
    measured: int
    reasons: Mapping[str, int] = field(default_factory=dict)


def answers_of(runs: Iterable[DetectorRun]) -> dict[str, Answers]:
    """Answers by detector from the runs over many flights."""
    flights: Counter[str] = Counter()
    measured: Counter[str] = Counter()
    reasons: dict[str, Counter[str]] = {}
    for run in runs:
        flights[run.detector] += 1
        if run.outcome is Outcome.MEASURED:
            measured[run.detector] += 1
        else:
            reasons.setdefault(run.detector, Counter())[run.reason or run.outcome.value] += 1
    return {
        name: Answers(count, measured[name], dict(reasons.get(name, {}))) for name, count in flights.items()
    }


def table(detectors: Sequence[Detector]) -> str:
    """All detectors and their metrics as one table."""
    lines = ["| detector | family | metric | unit | matters |", "|---|---|---|---|---|"]
    for detector in detectors:
        spec = detector.spec
        for metric in spec.metrics:
            lines.append(
                f"| [{spec.id}]({spec.id}.md) | {spec.family} | `{metric.name}` | {metric.unit} | "
                f"{metric.matters:g} |"
            )
    return "\n".join(lines) + "\n"


def page(spec: DetectorSpec, answers: Answers | None = None, errors: str = "") -> str:
    """One detector's page.

    Parameters
    ----------
    spec : DetectorSpec
    answers : Answers, optional
        How it fared on real flights; the section is left out without it.
    errors : str
        Its error against planted truth, Markdown made by a benchmark; left out when empty.
    """
    parts = [
        f"# {spec.title}",
        f"`{spec.id}`, version {spec.version}, family `{spec.family}`.",
        f"**Measures.** {spec.measures}",
        f"**Formula.** {spec.formula}",
        f"**Source.** {spec.source}",
        f"**Needs.** {_needs(spec)}",
        _metrics(spec.metrics),
    ]
    if errors:
        parts.append(f"**Error against planted truth.**\n\n{errors.strip()}")
    if answers is not None:
        parts.append(f"**On real logs.** {_answers(answers)}")
    parts.append(f"**When not to believe it.** {spec.cannot_tell}")
    return "\n\n".join(parts) + "\n"


def _needs(spec: DetectorSpec) -> str:
    needs = [f"`{name}`" for name in sorted(spec.needs)]
    needs += [" or ".join(f"`{name}`" for name in sorted(group)) for group in spec.needs_any]
    said = [", and ".join(needs) if needs else "no channel in particular"]
    if spec.uses:
        said.append("better with " + ", ".join(f"`{name}`" for name in sorted(spec.uses)))
    if spec.modes:
        said.append("in modes " + ", ".join(sorted(spec.modes)))
    if spec.min_rate_hz:
        said.append(f"at least {spec.min_rate_hz:g} Hz")
    if spec.min_seconds:
        said.append(f"at least {spec.min_seconds:g} s")
    return "; ".join(said) + "."


def _metrics(metrics: Sequence[Metric]) -> str:
    lines = []
    for metric in metrics:
        unit = f" {metric.unit}" if metric.unit else ""
        line = (
            f"- `{metric.name}`: {metric.title}. {BETTER[metric.better].capitalize()}. A change of "
            f"{metric.matters:g}{unit} matters: {metric.matters_why}."
        )
        if metric.attention is not None:
            line += f" A single flight beyond {metric.attention:g}{unit} is a finding of its own."
        lines.append(line)
    return "**Figures.**\n\n" + "\n".join(lines)


def _answers(answers: Answers) -> str:
    said = f"It answered on {answers.measured} of {answers.flights} flights"
    if not answers.reasons:
        return said + "."
    why = ", ".join(f"`{reason}` on {count}" for reason, count in sorted(answers.reasons.items()))
    return f"{said}; not measured: {why}."
