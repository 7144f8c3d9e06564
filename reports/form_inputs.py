"""What forms are made from."""

from __future__ import annotations

from collections.abc import Collection, Mapping
from dataclasses import dataclass, field

from trimkeep.detectors.history.model import Finding, Series
from trimkeep.reports.page_inputs import Setting


@dataclass(frozen=True, slots=True)
class FormState:
    """What stands in a form: what was sent before and why it was not taken, and the token it must carry.

    `once` is the number of this one form, so that sending it twice records nothing twice.
    """

    token: str
    given: Mapping[str, str] = field(default_factory=dict)
    problem: str = ""
    back: str | None = None
    once: str = ""


@dataclass(frozen=True, slots=True)
class AnswerInput:
    """A finding to be answered; `series` are those of its airframe, none for one over the fleet."""

    setting: Setting
    finding: Finding
    series: tuple[Series, ...]


@dataclass(frozen=True, slots=True)
class EntryInput:
    """Work to be recorded on an airframe.

    `kinds` are the codes to choose from; `required` the fields that a record must hold (`description`,
    `done_by`, ...).
    """

    setting: Setting
    airframe: str
    kinds: tuple[str, ...]
    required: Collection[str]


@dataclass(frozen=True, slots=True)
class DeskInput:
    """Where the reader is and what they may do; None for what they may not or what is not there.

    `home` is the board, `digest` the newest digest, `answer` and `record` forms about this page's finding
    or airframe, `login` and `account` the pages about being logged in.
    """

    home: str | None = None
    digest: str | None = None
    answer: str | None = None
    record: str | None = None
    login: str | None = None
    account: str | None = None
    name: str = ""
    role: str = ""
    notice: str = ""
    language: str = "en"
