"""Reading on a cluster gives the store that reading here gives, whatever happens to its workers."""

from __future__ import annotations

import os
import signal
import socket
import threading
import time
from collections.abc import Iterator
from dataclasses import replace
from pathlib import Path

import pytest

from tests.crash.undisturbed import assert_as_undisturbed, backlog, content
from tests.service.ingest.engine import Forked
from tests.service.ingest.object_credentials import CREDENTIALS
from tests.service.small_logs import TOOLS, fleet_in, ingest, log_text, put
from trimkeep.config.airframe import AirframeCard
from trimkeep.config.errors import ClusterError
from trimkeep.service.cli.main import run
from trimkeep.service.ingest import cluster as module
from trimkeep.service.ingest.apart import Reader
from trimkeep.service.ingest.cluster import Cluster, connected, read_there
from trimkeep.service.ingest.extract import Task, extract
from trimkeep.service.ingest.pool import ReaderDied
from trimkeep.service.ingest.scan import stat_of
from trimkeep.service.integrity import check_store
from trimkeep.service.store.connection import Store
from trimkeep.service.store.logs import load_log_outcomes

distributed = pytest.importorskip("distributed", reason="the cluster engine is not installed")

DEADLINE_S = 60.0


def start(*arguments: str) -> Forked:
    """A process of the engine's own command, silent, with credentials of its own for object storage."""
    return Forked("dask", *arguments)


def start_worker(address: str, name: str) -> Forked:
    """A worker with one thread and nobody to start it again."""
    options = ("--nthreads", "1", "--no-nanny", "--no-dashboard", "--name", name, "--death-timeout", "30")
    return start("worker", address, *options)


def wait_for_workers(address: str, count: int) -> None:
    with distributed.Client(address, timeout=DEADLINE_S, set_as_default=False) as client:
        client.wait_for_workers(count, timeout=DEADLINE_S)


@pytest.fixture(scope="module")
def scheduler() -> Iterator[str]:
    with socket.socket() as free:
        free.bind(("127.0.0.1", 0))
        port = free.getsockname()[1]
    process = start("scheduler", "--host", "127.0.0.1", "--port", str(port), "--no-dashboard", "--no-show")
    yield f"tcp://127.0.0.1:{port}"
    process.end()


@pytest.fixture(scope="module")
def worker(scheduler: str) -> Iterator[Forked]:
    """A worker process with one thread; a second would start readers of its own, for nothing here."""
    process = start_worker(scheduler, "one")
    wait_for_workers(scheduler, 1)
    yield process
    process.end()


@pytest.fixture
def workers(scheduler: str, worker: Forked) -> Iterator[list[Forked]]:
    """A second one beside it, for the last test, which kills one of them."""
    second = start_worker(scheduler, "two")
    wait_for_workers(scheduler, 2)
    yield [worker, second]
    second.end()


# A worker's reader is started anew for another limit of memory: the commands, which set one, come first.


def test_the_command_reads_on_a_cluster(
    scheduler: str,
    worker: Forked,
    tmp_path: Path,
    capsys: pytest.CaptureFixture[str],
) -> None:
    fleet = fleet_in(tmp_path)
    put(fleet, "heron-01/a.csv", "time_s,pitch_deg\n0,1\n1,2\n")
    assert run(["ingest", str(fleet.folder), "--cluster", scheduler]) == 0
    assert "Logs: 1 without a flight" in capsys.readouterr().out


def test_the_watcher_reads_on_a_cluster(scheduler: str, worker: Forked, tmp_path: Path) -> None:
    fleet = fleet_in(tmp_path)
    put(fleet, "heron-01/a.csv", "time_s,pitch_deg\n0,1\n1,2\n")
    output = tmp_path / "said"
    output.touch()
    told = ("watch", str(fleet.folder), "--polling", "--cluster", scheduler)
    watcher = Forked("trimkeep", *told, output=str(output))
    try:
        deadline = time.monotonic() + DEADLINE_S
        while "Logs:" not in (said := output.read_text()):
            assert watcher.poll() is None and time.monotonic() < deadline, said
            time.sleep(0.01)
        assert "1 without a flight" in said
        watcher.send_signal(signal.SIGTERM)
        assert watcher.wait() == 0
    finally:
        watcher.end()


def test_a_log_that_kills_its_reader_is_rejected_and_the_worker_lives(
    scheduler: str, worker: Forked, tmp_path: Path
) -> None:
    fleet = fleet_in(tmp_path)
    put(fleet, "heron-01/a-deadly.tlog", log_text([(10.0, 60.0, 1.0)], deadly=True))
    for number in range(5):
        put(fleet, f"heron-01/b{number}.tlog", log_text([(10.0, 60.0 + number, 1.0)]))
    with connected(scheduler) as there:
        report = ingest(fleet, workers=there.in_work, pool=there.pool)
    assert [one.path for one in report.rejected] == ["heron-01/a-deadly.tlog"]
    assert "took its process down" in report.rejected[0].sentence
    assert len(report.flights) == 5
    assert worker.poll() is None
    assert check_store(Store(fleet.state), read_all=True) == ()


def test_addresses_that_lead_nowhere(
    scheduler: str, monkeypatch: pytest.MonkeyPatch, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    monkeypatch.setattr(module, "CONNECT_S", 0.5)
    with pytest.raises(ClusterError, match="no scheduler answers"), connected("tcp://127.0.0.1:9"):
        pass
    with pytest.raises(ClusterError, match="no scheduler answers"), connected("nonsense://x"):
        pass
    with monkeypatch.context() as patch, pytest.raises(ClusterError, match="has no worker"):
        patch.setattr(distributed.Client, "nthreads", lambda self: {})
        with connected(scheduler):
            pass
    fleet = fleet_in(tmp_path)
    assert run(["ingest", str(fleet.folder), "--cluster", "tcp://127.0.0.1:9"]) == ClusterError.exit_code
    assert "no scheduler answers there" in capsys.readouterr().err


@pytest.mark.slow
def test_a_scheduler_that_is_lost_ends_the_run_and_the_next_one_goes_on(tmp_path: Path) -> None:
    with socket.socket() as free:
        free.bind(("127.0.0.1", 0))
        port = free.getsockname()[1]
    process = start("scheduler", "--host", "127.0.0.1", "--port", str(port), "--no-dashboard", "--no-show")
    address = f"tcp://127.0.0.1:{port}"
    worker = start_worker(address, "one")
    wait_for_workers(address, 1)
    fleet = backlog(tmp_path, 20, 0.1)
    done: list[int] = []

    def progress(step: object) -> None:
        done.append(1)
        if len(done) == 5:
            process.send_signal(signal.SIGKILL)

    try:
        with pytest.raises(ClusterError, match="scheduler was lost"), connected(address) as there:
            ingest(fleet, workers=there.in_work, pool=there.pool, progress=progress)
    finally:
        worker.end()
        process.end()
    assert 5 <= sum(one.outcome is not None for one in load_log_outcomes(Store(fleet.state))) < 20
    ingest(fleet, workers=2)
    assert_as_undisturbed(fleet, 20, 0.1)


# --- what a worker does, without an engine ---


def task_of(tmp_path: Path, text: str) -> Task:
    fleet = fleet_in(tmp_path)
    path = put(fleet, "heron-01/a.tlog", text)
    stat = stat_of(path)
    assert stat is not None
    recordings = fleet.state / "recordings"
    recordings.mkdir(parents=True, exist_ok=True)
    return Task(path, "a" * 64, stat, AirframeCard(id="heron-01"), recordings, "UTC", TOOLS, 30.0)


@pytest.fixture(scope="module")
def reader() -> Iterator[Reader]:
    """The one of this thread, which starts its process when it is first told something."""
    own = module.own_reader(0)
    yield own
    own.close()


def test_a_reader_serves_one_log_after_the_other_and_is_started_anew_when_it_died(
    reader: Reader, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.delenv("OPENBLAS_NUM_THREADS", raising=False)
    task = task_of(tmp_path, log_text([(10.0, 60.0, 1.0)]))
    first = reader.run(extract, task)
    assert first is not None and len(first.flights) == 1
    process = reader.process
    reader.run(extract, task)
    assert reader.process is process
    with pytest.raises(ZeroDivisionError):
        reader.run(divmod, 1, 0)
    assert reader.process is process, "an exception is an answer"
    assert reader.run(os.getenv, "OPENBLAS_NUM_THREADS") == "1"
    with pytest.raises(ReaderDied):
        reader.run(os._exit, 3)
    assert reader.run(print, "what is printed there does not stand between the answers") is None
    again = reader.run(extract, task)
    assert again is not None and again.flights == first.flights


def test_a_worker_that_cannot_be_trusted_says_so(tmp_path: Path) -> None:
    task = task_of(tmp_path, log_text([(10.0, 60.0, 1.0)]))
    with pytest.raises(ClusterError, match="another release"):
        read_there(extract, task, 0, "of yesterday")
    task.recordings.rmdir()
    with pytest.raises(ClusterError, match="does not see"):
        read_there(extract, task, 0, module.release())


def test_a_file_with_another_number_through_another_mount_is_the_same(reader: Reader, tmp_path: Path) -> None:
    task = task_of(tmp_path, log_text([(10.0, 60.0, 1.0)]))
    elsewhere = replace(task, stat=replace(task.stat, inode=task.stat.inode + 1))
    result = read_there(extract, elsewhere, 0, module.release())
    assert result is not None and len(result.flights) == 1
    changed = replace(task, stat=replace(task.stat, size_bytes=task.stat.size_bytes + 1))
    assert read_there(extract, changed, 0, module.release()) is None


def test_nothing_is_left_in_the_hands_of_the_cluster(scheduler: str, worker: Forked, tmp_path: Path) -> None:
    task = task_of(tmp_path, log_text([(10.0, 60.0, 1.0)]))
    with connected(scheduler) as there:
        assert isinstance(there, Cluster)
        executor = there.pool(1)
        assert executor.submit(extract, task).result(DEADLINE_S) is not None
        with pytest.raises(TypeError, match="named"):
            executor.submit(extract, task, named=1)
        deadline = time.monotonic() + DEADLINE_S
        while executor.outstanding and time.monotonic() < deadline:  # type: ignore[attr-defined]
            time.sleep(0.01)
        assert executor.outstanding == set()  # type: ignore[attr-defined]
        executor.shutdown(cancel_futures=True)


def test_logs_in_object_storage_are_fetched_by_the_worker_and_give_the_same_rows(
    scheduler: str,
    worker: Forked,
    tmp_path: Path,
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    """The worker sees no folder with logs, and gets no credentials from here."""
    pytest.importorskip("s3fs", reason="the drivers of object storage are not installed")
    object_server = pytest.importorskip(
        "tests.service.ingest.object_server", reason="no S3-compatible server to test with"
    )
    for name, value in CREDENTIALS.items():
        monkeypatch.setenv(name, value)
    (tmp_path / "local").mkdir()
    local = backlog(tmp_path / "local", 12, slow_s=0.0)
    ingest(local)
    with object_server.object_server() as server, connected(scheduler) as there:
        for path in local.folder.rglob("*.tlog"):
            server.put(f"fleet/{path.relative_to(local.folder).as_posix()}", path.read_bytes())
        text = f'[logs]\naddress = "s3://{object_server.BUCKET}/fleet"\nendpoint = "{server.endpoint}"\n'
        fleet = fleet_in(tmp_path, text)
        broken = object_server.answer_with("403 Forbidden", "AccessDenied")
        # The first read is this process's own, for the hash; the second is the worker's.
        server.faults = [("heron-0/0.tlog", lambda *_: None), ("heron-0/0.tlog", broken)]
        report = ingest(fleet, workers=there.in_work, pool=there.pool, reads_apart=True)
        assert report.unreachable == ("heron-0/0.tlog",)
        assert sum(report.counts.values()) == 11
        ingest(fleet, workers=there.in_work, pool=there.pool, reads_apart=True)
        assert server.reads_of("fleet/heron-1/1.tlog") == 2, "once for the hash, once by the worker"
    assert worker.poll() is None
    assert content(fleet) == content(local)
    assert check_store(Store(fleet.state), read_all=True) == ()
    assert ingest(local).unchanged == 12


def test_a_worker_killed_in_mid_run_costs_nothing_but_time(
    scheduler: str, workers: list[Forked], tmp_path: Path
) -> None:
    logs, slow_s = 16, 0.1
    fleet = backlog(tmp_path, logs, slow_s)
    done: list[int] = []
    killed = threading.Event()

    def progress(step: object) -> None:
        done.append(1)
        if len(done) == 4:
            workers[0].send_signal(signal.SIGKILL)
            killed.set()

    with connected(scheduler) as there:
        assert there.in_work == 4
        report = ingest(fleet, workers=there.in_work, pool=there.pool, progress=progress)
    assert killed.is_set() and workers[0].wait(DEADLINE_S) == -signal.SIGKILL
    assert len(done) == logs == sum(report.counts.values())
    assert workers[1].poll() is None
    assert_as_undisturbed(fleet, logs, slow_s)
