"""What a crash left half-made: hidden files and folders that nobody will finish."""

from __future__ import annotations

import logging
import shutil
import time
from pathlib import Path

log = logging.getLogger(__name__)

# Longer than anything takes to write: a younger one may belong to somebody who is at work.
OLD_S = 24 * 3600.0


def remove_leftovers(folder: Path, pattern: str) -> tuple[Path, ...]:
    """Remove what a crash left in a folder, once it is a day old; what was removed.

    A killed process cannot tidy up, and a service that is killed now and then for years would fill the disk.

    Parameters
    ----------
    folder : Path
        May be missing.
    pattern : str
        Of hidden names that only half-made things have, such as `.*.part`.
    """
    removed = []
    for path in sorted(folder.glob(pattern)):
        try:
            if time.time() - path.lstat().st_mtime < OLD_S:
                continue
            if path.is_dir() and not path.is_symlink():
                shutil.rmtree(path)
            else:
                path.unlink()
        except OSError as error:
            log.info("%s cannot be removed (%s)", path, error.strerror)
            continue
        removed.append(path)
    return tuple(removed)
