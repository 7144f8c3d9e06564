"""Pages that something still leads to: a digest that is kept, or another page."""

from __future__ import annotations

import re
from collections.abc import Collection, Iterable
from pathlib import Path

from trimkeep.service.page_links import FOLDER

_LINK = re.compile(rf'href="(?:{FOLDER}/)?([a-z0-9][a-z0-9-]*\.html)(?:#[^"]*)?"', re.ASCII)


def linked_pages(folder: Path, roots: Iterable[Path], shown: Collection[str]) -> dict[str, str]:
    """Files of the folder that can be come to by links, with the file that leads there.

    Parameters
    ----------
    folder : Path
        Of the pages.
    roots : iterable of Path
        Files elsewhere to begin at.
    shown : collection of str
        Files of the folder to begin at.
    """
    waiting = [*roots, *(folder / name for name in sorted(shown))]
    reached: dict[str, str] = {}
    while waiting:
        path = waiting.pop()
        try:
            text = path.read_text(encoding="utf-8", errors="replace")
        except OSError:
            continue
        for name in _LINK.findall(text):
            if name not in reached and name not in shown and (folder / name).is_file():
                reached[name] = path.name
                waiting.append(folder / name)
    return reached
