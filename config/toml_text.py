"""Reading TOML with the line of every key at hand, so that a complaint can name it."""

from __future__ import annotations

import re
import tomllib
from difflib import get_close_matches
from pathlib import Path
from typing import Any

from trimkeep.config.errors import SettingsError

_HEADER = re.compile(r"^\s*\[\[?\s*([^\]]+?)\s*\]\]?\s*(?:#.*)?$")
_KEY = re.compile(r"""^\s*("[^"]*"|'[^']*'|[A-Za-z0-9_.\-]+)\s*=""")


def is_there(path: Path) -> bool:
    """Whether a file is there, as far as this user may look.

    Raises
    ------
    SettingsError
        Its folder is closed to this user: that is not the same as a file that is missing.
    """
    try:
        path.stat()
    except (FileNotFoundError, NotADirectoryError):
        return False
    except OSError as error:
        raise SettingsError(
            f"cannot be looked at ({error.strerror})",
            subject=str(path),
            next_step="See that this user may enter the folder",
        ) from error
    return True


def read_toml(path: Path) -> tuple[dict[str, Any], str]:
    """The parsed file and its text.

    Raises
    ------
    SettingsError
        The file cannot be read or is not TOML; the message has the line.
    """
    try:
        text = path.read_text(encoding="utf-8-sig")
    except (OSError, UnicodeDecodeError) as error:
        raise SettingsError(
            f"cannot be read ({_first_line(error)})",
            subject=str(path),
            next_step="Save it as UTF-8 text that this user may read",
        ) from error
    try:
        return tomllib.loads(text), text
    except (ValueError, RecursionError) as error:
        # Not TOML, or a number of thousands of digits; and with RecursionError a hundred thousand brackets.
        raise SettingsError(
            f"is not valid TOML: {_first_line(error)}",
            subject=str(path),
            next_step="Mend that place; text values need quotes, and a section starts with [name]",
        ) from error


def _first_line(error: BaseException) -> str:
    return str(error).splitlines()[0]


def line_of(text: str, dotted: str) -> int | None:
    """1-based line on which a dotted key is set, or None when it cannot be told.

    >>> line_of("a = 1\\n[b]\\nc = 2\\n", "b.c")
    3
    """
    prefix: list[str] = []
    for number, line in enumerate(text.splitlines(), start=1):
        header = _HEADER.match(line)
        if header:
            prefix = [part.strip().strip("\"'") for part in header.group(1).split(".")]
            if ".".join(prefix) == dotted:
                return number
            continue
        key = _KEY.match(line)
        if key:
            name = key.group(1).strip("\"'")
            full = ".".join([*prefix, name])
            if full == dotted or dotted.startswith(full + "."):
                return number
    return None


def place(path: Path, text: str, dotted: str) -> str:
    """`file line N` for a dotted key, or the file alone."""
    line = line_of(text, dotted)
    return f"{path} line {line}" if line is not None else str(path)


def nearest(word: str, allowed: list[str]) -> str:
    """A sentence part that names the nearest allowed word, or lists what is allowed."""
    # A word cut short is likelier than one misspelt: "altitude" means altitude_hold, not attitude.
    starts = [name for name in allowed if word and name.startswith(word)]
    close = starts or get_close_matches(word, allowed, n=1, cutoff=0.5)
    if close:
        return f"Did you mean {close[0]}"
    return "Allowed here: " + ", ".join(sorted(allowed))
