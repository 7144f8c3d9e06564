"""Pages on disk: written whole, and only when what they show has changed.

What a page was made from is kept as a fingerprint in its last line, so the page itself is the only place
that knows: a page that was deleted, cut off or made by an earlier version is simply made again.
"""

from __future__ import annotations

import hashlib
import os
import threading
from collections.abc import Iterable
from contextlib import suppress
from functools import cache
from importlib import resources
from importlib.resources.abc import Traversable
from pathlib import Path

from trimkeep.config.errors import ReportError

MARK_START, MARK_END = "<!-- made by trimkeep from ", " -->\n"
FINGERPRINT_LENGTH = 64
MARK_LENGTH = len(MARK_START) + FINGERPRINT_LENGTH + len(MARK_END)


def fingerprint(*parts: object) -> str:
    """SHA-256 over the written form of plain values; two values that print alike are taken to be alike."""
    digest = hashlib.sha256()
    for part in parts:
        digest.update(repr(part).encode("utf-8", "surrogatepass"))
        digest.update(b"\x00")
    return digest.hexdigest()


@cache
def program_fingerprint() -> str:
    """Hash of everything that words, draws or lays out a page: a new version makes every page anew."""
    digest = hashlib.sha256()
    for name, content in sorted(_files(resources.files("trimkeep.reports"))):
        digest.update(f"{name}\x00".encode() + content + b"\x00")
    return digest.hexdigest()


def _files(folder: Traversable, prefix: str = "") -> Iterable[tuple[str, bytes]]:
    for entry in folder.iterdir():
        name = f"{prefix}{entry.name}"
        if entry.is_dir():
            if entry.name != "__pycache__":
                yield from _files(entry, f"{name}/")
        else:
            yield name, entry.read_bytes()


def made_from(path: Path) -> str | None:
    """The fingerprint in a page; None when there is no page, or it is not one of ours."""
    try:
        with path.open("rb") as stream:
            end = stream.seek(0, os.SEEK_END)
            stream.seek(max(end - MARK_LENGTH, 0))
            tail = stream.read().decode("ascii", "replace")
    except OSError:
        return None
    if not (tail.startswith(MARK_START) and tail.endswith(MARK_END)):
        return None
    return tail[len(MARK_START) : -len(MARK_END)]


def write_page(path: Path, text: str, key: str) -> None:
    """Write a page with its fingerprint. Errors as `write_whole`."""
    write_whole(path, f"{text}\n{MARK_START}{key}{MARK_END}")


def write_whole(path: Path, text: str) -> None:
    """Write a file under another name first, so that a reader never sees half of it.

    Raises
    ------
    ReportError
        The folder cannot be written to.
    """
    # The watcher's thread and the scheduler's may write the same page.
    part = path.with_name(f".{path.name}.{os.getpid()}-{threading.get_ident()}.part")
    try:
        path.parent.mkdir(parents=True, exist_ok=True)
        with part.open("w", encoding="utf-8") as stream:
            stream.write(text)
            stream.flush()
            os.fsync(stream.fileno())
        part.replace(path)
    except OSError as error:
        with suppress(OSError):
            part.unlink()
        raise ReportError(
            f"cannot be written ({error.strerror})",
            subject=str(path),
            next_step="Make room, or set `output` in fleet.toml to a folder this user may write to",
        ) from error
