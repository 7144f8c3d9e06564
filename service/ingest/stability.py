"""When a file that arrives is whole: it has stood still for a while. No clock, no file system here."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path


@dataclass(frozen=True, slots=True)
class FileStat:
    """What of a file's status shows that it changed."""

    size_bytes: int
    mtime_ns: int
    inode: int


StatOf = Callable[[Path], FileStat | None]
"""Status of a path; None when it is not there or is no regular file."""


@dataclass(slots=True)
class _Watched:
    stat: FileStat
    since_s: float


class StabilityTracker:
    """Files that were noticed, until each has stood still.

    Watching for "closed" events is not enough: network shares send none, and a copy may pause and go on.
    So a file is ready when size, time and inode were the same for `still_s` seconds of looking.

    Parameters
    ----------
    still_s : float
        How long a file must stand still.
    stat_of : callable
        See `StatOf`.
    """

    def __init__(self, still_s: float, stat_of: StatOf) -> None:
        self._still_s = still_s
        self._stat_of = stat_of
        self._watched: dict[Path, _Watched] = {}

    def __len__(self) -> int:
        return len(self._watched)

    def watched(self) -> tuple[Path, ...]:
        """The paths that are not still yet."""
        return tuple(sorted(self._watched))

    def notice(self, path: Path, now_s: float) -> None:
        """Look at a path from now on. Noticing it again while it is unchanged does not restart the wait."""
        stat = self._stat_of(path)
        if stat is None:
            self._watched.pop(path, None)
            return
        known = self._watched.get(path)
        if known is None or known.stat != stat:
            self._watched[path] = _Watched(stat, now_s)

    def ready(self, now_s: float) -> tuple[Path, ...]:
        """The paths that have stood still long enough; they are forgotten here. Vanished ones are dropped."""
        still = []
        for path in sorted(self._watched):
            self.notice(path, now_s)
            known = self._watched.get(path)
            if known is not None and now_s - known.since_s >= self._still_s:
                still.append(path)
                del self._watched[path]
        return tuple(still)

    def next_look_s(self, now_s: float) -> float | None:
        """Seconds until the first file can be ready; None when nothing is watched."""
        if not self._watched:
            return None
        earliest = min(watched.since_s for watched in self._watched.values())
        return max(earliest + self._still_s - now_s, 0.0)
