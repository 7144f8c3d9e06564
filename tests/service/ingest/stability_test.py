"""A file is ready when it has stood still; clock and file system are handed in."""

from __future__ import annotations

from pathlib import Path

from trimkeep.service.ingest.stability import FileStat, StabilityTracker

A, B = Path("a"), Path("b")


class Disk:
    """Files with sizes, changed by the test."""

    def __init__(self, **sizes: int) -> None:
        self.sizes = {Path(name): size for name, size in sizes.items()}

    def stat(self, path: Path) -> FileStat | None:
        size = self.sizes.get(path)
        return None if size is None else FileStat(size, size * 1000, 1)


def test_a_still_file_is_ready_once_after_the_delay() -> None:
    disk = Disk(a=1)
    tracker = StabilityTracker(5.0, disk.stat)
    tracker.notice(A, 0.0)
    tracker.notice(A, 3.0)  # noticed again, unchanged: the wait goes on
    assert tracker.ready(4.9) == ()
    assert tracker.next_look_s(4.0) == 1.0
    assert tracker.ready(5.0) == (A,)
    assert tracker.ready(100.0) == ()


def test_a_growing_file_waits_from_its_last_growth() -> None:
    disk = Disk(a=1, b=1)
    tracker = StabilityTracker(5.0, disk.stat)
    tracker.notice(A, 0.0)
    tracker.notice(B, 0.0)
    disk.sizes[A] = 2
    assert tracker.ready(5.0) == (B,)  # seen to have grown only now
    assert tracker.ready(9.9) == ()
    assert tracker.ready(10.0) == (A,)


def test_a_vanished_file_is_forgotten() -> None:
    disk = Disk(a=1)
    tracker = StabilityTracker(5.0, disk.stat)
    tracker.notice(A, 0.0)
    tracker.notice(B, 0.0)  # never was there
    del disk.sizes[A]
    assert (tracker.ready(10.0), len(tracker), tracker.next_look_s(0.0)) == ((), 0, None)


def test_a_file_replaced_by_one_of_the_same_size_waits_again() -> None:
    stats = {A: FileStat(1, 1, 1)}
    tracker = StabilityTracker(5.0, stats.get)
    tracker.notice(A, 0.0)
    stats[A] = FileStat(1, 1, 2)
    assert tracker.ready(5.0) == ()
    assert tracker.ready(10.0) == (A,)
