"""The pages on disk as they are served: only files that this program made, each with a line on top.

A page is asked for by name, and a name is letters, digits and dashes only; nothing a browser sends is ever
made into a path otherwise.
"""

from __future__ import annotations

import os
import re
import stat
from collections.abc import Iterable
from dataclasses import dataclass
from pathlib import Path
from typing import Literal

from trimkeep.reports.foreign import anchor
from trimkeep.service.digest import LATEST
from trimkeep.service.page_file import made_from
from trimkeep.service.page_links import BOARD, FOLDER

Kind = Literal["board", "airframe", "finding", "flight", "digest"]
_BEHIND = re.compile(r"(airframe|finding|flight)-[a-z0-9][a-z0-9-]{0,79}\.html", re.ASCII)
_DIGEST = re.compile(r"digest-\d{4}-\d\d-\d\dT\d{4}\.html", re.ASCII)


@dataclass(frozen=True, slots=True)
class ShelvedPage:
    """One page as it lies on disk. `stem` is its name without the ending."""

    kind: Kind
    stem: str
    html: str


def kind_of(folder: str, name: str) -> Kind | None:
    """What kind of page a name is; None for what is never served.

    >>> kind_of("pages", "board.html"), kind_of("pages", "../fleet.toml")
    ('board', None)
    """
    if folder == FOLDER:
        if name == BOARD:
            return "board"
        found = _BEHIND.fullmatch(name)
        return None if found is None else found.group(1)  # type: ignore[return-value]
    if not folder and (name == LATEST or _DIGEST.fullmatch(name)):
        return "digest"
    return None


def take(output: Path, folder: str, name: str) -> ShelvedPage | None:
    """A page; None when there is none of that name, or it is not one of ours.

    Parameters
    ----------
    output : Path
        Folder of the digests.
    folder : str
        `pages`, or empty for the digests themselves.
    name : str
        As the browser sent it.
    """
    kind = kind_of(folder, name)
    if kind is None:
        return None
    path = output / folder / name
    if kind != "digest" and made_from(path) is None:
        return None
    try:
        # A link put there by somebody else would lead anywhere.
        handle = os.open(path, os.O_RDONLY | os.O_NOFOLLOW | os.O_CLOEXEC)
        with os.fdopen(handle, "rb") as stream:
            if not stat.S_ISREG(os.fstat(stream.fileno()).st_mode):
                return None
            html = stream.read().decode("utf-8", "replace")
    except OSError:
        return None
    return ShelvedPage(kind, name.removesuffix(".html"), html)


def has_digest(output: Path) -> bool:
    """Whether a digest was ever made."""
    return (output / LATEST).is_file()


def named_by(kind: Kind, stem: str, names: Iterable[str]) -> str | None:
    """The id whose page has that name; None when none has."""
    return next((name for name in names if anchor(kind, name) == stem), None)


def with_desk(html: str, style: str, desk: str) -> str:
    """A page with a line put on top of its body and its style at the end of its head."""
    head, body = html.find("</head>"), html.find("<body>")
    if not 0 <= head < body:
        return html
    after = body + len("<body>")
    return f"{html[:head]}<style>\n{style}\n</style>\n{html[head:after]}\n{desk}{html[after:]}"
