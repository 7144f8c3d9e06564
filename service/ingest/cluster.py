"""The per-log work on the workers of a Dask cluster, through the standard executor's interface.

The one writer stays here: workers read logs and write decoded recordings into folders that they share with
this machine, and send back rows. A worker that is lost has its logs read by another; what is read twice is
written under the same content hash and stored once.
"""

from __future__ import annotations

import hashlib
import socket
from collections.abc import Callable, Iterator
from concurrent.futures import Executor, Future
from contextlib import contextmanager
from dataclasses import dataclass, replace
from functools import cache, partial
from importlib.metadata import version
from typing import TYPE_CHECKING, Any
from uuid import uuid4

from trimkeep.config.errors import ClusterError
from trimkeep.detectors.flights import SPLITTER_VERSION
from trimkeep.detectors.registry import load_registry
from trimkeep.service.ingest.apart import own_reader
from trimkeep.service.ingest.extract import Task
from trimkeep.service.ingest.pool import PoolOf, ReaderDied
from trimkeep.service.ingest.scan import stat_of
from trimkeep.service.ingest.source import RemoteLog
from trimkeep.service.store.rows import LogResult
from trimkeep.service.store.values import canonical_json

if TYPE_CHECKING:
    from distributed import Client

CONNECT_S = 10.0
# Enough that no worker waits while the results of the others are stored.
TASKS_FOR_EACH_THREAD = 2


@dataclass(frozen=True, slots=True)
class Cluster:
    """A cluster that is ready: how many logs to keep in work, and the executor for them."""

    in_work: int
    pool: PoolOf


@contextmanager
def connected(address: str, *, memory_mb: int = 0) -> Iterator[Cluster]:
    """The cluster behind a scheduler's address, for the length of the block.

    Parameters
    ----------
    address : str
        Such as `tcp://10.0.0.5:8786`.
    memory_mb : int
        Limit for each reading process; 0 means none.

    Raises
    ------
    ClusterError
        No scheduler answers there, it has no worker, or the library is not installed.
    """
    try:
        from distributed import Client
    except ImportError as error:
        raise ClusterError(
            "needs the cluster engine, which is not installed",
            subject=address,
            next_step='Install it with: pip install "trimkeep[cluster]"',
        ) from error
    try:
        client = Client(address, timeout=CONNECT_S, set_as_default=False, name="trimkeep")
    except (OSError, ValueError) as error:
        raise ClusterError(
            f"no scheduler answers there ({error})",
            subject=address,
            next_step="Start one with `dask scheduler`, or mend the address",
        ) from error
    with client:
        threads = sum(client.nthreads().values())
        if not threads:
            raise ClusterError(
                "the scheduler has no worker",
                subject=address,
                next_step="Start some with `dask worker` where the fleet and state folders are seen",
            )
        yield Cluster(TASKS_FOR_EACH_THREAD * threads, lambda _: _ClusterExecutor(client, memory_mb))


class _ClusterExecutor(Executor):
    """Tasks to a cluster, each with the promise that a lost worker costs nothing but time."""

    def __init__(self, client: Client, memory_mb: int) -> None:
        self.client = client
        self.memory_mb = memory_mb
        self.outstanding: set[Any] = set()

    def submit(self, fn: Callable[..., Any], /, *arguments: Any, **named: Any) -> Future[Any]:
        """Send one task out; named arguments are not taken."""
        if named:
            raise TypeError(f"named arguments are not sent: {sorted(named)}")
        (task,) = arguments
        remote = self.client.submit(
            read_there,
            fn,
            task,
            self.memory_mb,
            release(),
            key=f"log-{task.sha256}-{uuid4().hex}",
            pure=False,
        )
        handed: Future[Any] = Future()
        self.outstanding.add(remote)
        remote.add_done_callback(partial(self._hand_over, handed))
        return handed

    def _hand_over(self, handed: Future[Any], remote: Any) -> None:
        """From the cluster's future to the standard one; runs in a thread of the client."""
        try:
            answer = _answer(remote)
        except BaseException as error:
            handed.set_exception(error)
        else:
            handed.set_result(answer)
        finally:
            # Letting go of it frees the worker's memory.
            self.outstanding.discard(remote)

    def shutdown(self, wait: bool = True, *, cancel_futures: bool = False) -> None:
        """Have the cluster drop what is left with `cancel_futures`; the client lives longer than this."""
        if cancel_futures and self.outstanding:
            self.client.cancel(list(self.outstanding))


def _answer(remote: Any) -> Any:
    from distributed.scheduler import KilledWorker

    if remote.status not in ("finished", "error"):
        raise ClusterError(
            f"the scheduler was lost while a log was read (task {remote.status})",
            subject=remote.key,
            next_step="Nothing was lost; start the scheduler again and run the same command",
        )
    try:
        return remote.result()
    except KilledWorker as error:
        raise ReaderDied(f"the workers that read it died ({error})") from error


def read_there(
    function: Callable[[Task], LogResult | None], task: Task, memory_mb: int, wanted: str
) -> LogResult | None:
    """On the worker: one log, in a process apart.

    Raises
    ------
    ClusterError
        This worker has another release, or does not see the folders. It says so rather than store numbers
        that cannot be compared, or call a log unreadable that is only out of sight.
    ReaderDied
        The log took its process down.
    LogUnreachable
        The log lies in object storage, and cannot be fetched from here.
    """
    if release() != wanted:
        raise _unfit("has another release of trimkeep", "Install the same one on every worker")
    for folder in (task.recordings, *([] if task.remote else [task.path.parent])):
        if not folder.is_dir():
            raise _unfit(f"does not see {folder}", "Mount the fleet and state folders at the same path there")
    if task.remote is not None:
        return _fetch_and_read(function, task, task.remote, memory_mb)
    seen = stat_of(task.path)
    # The same file has another number through another mount; its size and time it keeps.
    if seen is not None and (seen.size_bytes, seen.mtime_ns) == (task.stat.size_bytes, task.stat.mtime_ns):
        task = replace(task, stat=seen)
    result: LogResult | None = own_reader(memory_mb).run(function, task)
    return result


def _fetch_and_read(
    function: Callable[[Task], LogResult | None], task: Task, remote: RemoteLog, memory_mb: int
) -> LogResult | None:
    # A worker needs the drivers only where logs lie in object storage.
    from trimkeep.service.ingest.objects import fetched

    with fetched(remote, task.sha256) as path:
        stat = None if path is None else stat_of(path)
        if path is None or stat is None:
            return None
        here = replace(task, path=path, stat=stat, remote=None)
        result: LogResult | None = own_reader(memory_mb).run(function, here)
        return result


def _unfit(what: str, next_step: str) -> ClusterError:
    return ClusterError(what, subject=f"worker on {socket.gethostname()}", next_step=next_step)


@cache
def release() -> str:
    """Stands for everything that decides what is measured: equal here and there, or nothing is read."""
    detectors = [[one.spec.id, one.spec.version] for one in load_registry()]
    told = [version("trimkeep"), SPLITTER_VERSION, detectors]
    return hashlib.sha256(canonical_json(told).encode()).hexdigest()
