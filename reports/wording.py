"""Codes to words, from a message catalogue: one TOML file per language beside this module."""

from __future__ import annotations

import tomllib
from collections.abc import Mapping
from dataclasses import dataclass
from functools import cache
from importlib import resources
from typing import Any, Literal

from trimkeep.config.errors import ReportError
from trimkeep.reports.foreign import plain

CautionKind = Literal["bench", "flight", "desk"]
DEFAULT_LANGUAGE = "en"


@dataclass(frozen=True, slots=True)
class CheckWords:
    """A next check: what to do, and which caution block goes with it."""

    text: str
    caution: CautionKind


@dataclass(frozen=True, slots=True)
class Words:
    """The catalogue of one language.

    Codes that come from detectors and judges (contexts, evidence, causes) may be newer than the
    catalogue; they are then shown readable, underscores turned into spaces, never dropped.
    Keys that this package itself asks for must be there.
    """

    table: Mapping[str, Mapping[str, Any]]

    def text(self, key: str) -> str:
        """A fixed word or label."""
        return str(self.table["text"][key])

    def sentence(self, key: str, **values: object) -> str:
        """A sentence with its values filled in. KeyError when one is missing."""
        return str(self.table["sentence"][key]).format(**values)

    def code(self, group: str, code: str) -> str:
        """The words of a code in a group (`cause`, `context`, `verdict`, ...)."""
        return str(self.table[group].get(code, readable(code)))

    def knows(self, group: str, code: str) -> bool:
        """True when the catalogue has words of its own for the code."""
        return code in self.table[group]

    def check(self, code: str) -> CheckWords:
        """A next check; an unknown one gets the strictest caution."""
        entry = self.table["check"].get(code)
        if entry is None:
            return CheckWords(f"{readable(code).capitalize()}.", "bench")
        return CheckWords(str(entry["text"]), entry["caution"])

    def phrase(self, metric: str) -> str | None:
        """Sentence pattern of a metric's change, with `{before}` and `{after}`."""
        return self.table["phrase"].get(metric)

    def phrase_level(self, metric: str) -> str | None:
        """Sentence pattern of a metric's level in one flight, with `{after}`."""
        return self.table["phrase_level"].get(metric)

    def phrase_detail(self, metric: str) -> str | None:
        """What stands behind a metric's level: a pattern of other metrics' names in braces."""
        return self.table["phrase_detail"].get(metric)

    def month(self, number: int) -> str:
        """Name of a month, 1 to 12."""
        return str(self.table["page"]["months"][number - 1])

    def short_month(self, number: int) -> str:
        """Short name of a month, 1 to 12."""
        return str(self.table["page"]["short_months"][number - 1])


def readable(code: str) -> str:
    """A code as words.

    >>> readable("held_level")
    'held level'
    """
    return plain(code.replace("_", " "))


@cache
def load_words(language: str = DEFAULT_LANGUAGE) -> Words:
    """The catalogue of a language.

    Raises
    ------
    ReportError
        There is no catalogue for it.
    """
    folder = resources.files("trimkeep.reports")
    source = folder / f"words_{language}.toml"
    if not language.isalpha() or not source.is_file():
        known = sorted(
            entry.name.removeprefix("words_").removesuffix(".toml")
            for entry in folder.iterdir()
            if entry.name.startswith("words_")
        )
        raise ReportError(
            f"there is no catalogue of words for the language {language!r}",
            subject="language",
            next_step=f"choose one of {', '.join(known)}",
        )
    return Words(tomllib.loads(source.read_text(encoding="utf-8")))
