"""A thousand kills: `python -m tests.crash.thousand [--kills 1000] [--seed 1] [--scene NAME]`.

Each round takes a stage at random, copies its beginning, and kills the work with SIGKILL at a random moment,
one to four times in a row, each time on what the last one left. Then it lets the work end and compares the
store, row by row, with that of a run which nobody disturbed. A moment is a share of the processor time that
the whole work takes, so that a busy machine does not push all kills to the beginning.

The kills are cheap because everything is imported once, in a process that then only forks: it never opens a
store, so that no thread is alive at a fork. What is killed is the stages' own code on real files.
"""

from __future__ import annotations

import os

# Before the numerics are loaded, which would start threads of their own.
os.environ.setdefault("OPENBLAS_NUM_THREADS", "1")

import argparse
import gc
import http.server
import json
import mmap
import pickle
import random
import shutil
import signal
import sys
import tempfile
import time
import traceback
from collections import Counter
from collections.abc import Callable, Iterator
from contextlib import contextmanager, suppress
from dataclasses import dataclass, field
from pathlib import Path
from typing import IO, Any

from tests.crash import scenes_of_judging, scenes_of_logs, scenes_of_store
from tests.crash.scene import Scene, Setting
from tests.crash.scenes_of_judging import RECEIVED
from trimkeep.service.store import connection as connection_module

SCENES = (*scenes_of_logs.SCENES, *scenes_of_judging.SCENES, *scenes_of_store.SCENES)
LOOK_EVERY_S = 0.0005
# Longer than any work here takes, even when the machine is full: what has not ended by then hangs.
DEADLINE_S = 300.0
# A little past the end, so that the last steps are struck as often as the others.
PAST_THE_END = 1.03
FAILED = 70


@dataclass
class Figures:
    """What was done, by stage."""

    rounds: Counter[str] = field(default_factory=Counter)
    kills: Counter[str] = field(default_factory=Counter)
    in_transaction: Counter[str] = field(default_factory=Counter)
    between: Counter[str] = field(default_factory=Counter)
    before: Counter[str] = field(default_factory=Counter)
    cpu_s: float = 0.0
    finds: list[str] = field(default_factory=list)


class Marks:
    """What a child shows of itself in memory that its parent sees: transactions ended, and one open."""

    def __init__(self) -> None:
        self.memory = mmap.mmap(-1, 2)

    def clear(self) -> None:
        """Before a fork."""
        self.memory[:] = b"\0\0"

    @property
    def is_open(self) -> bool:
        """Whether the child had the database open when it was last seen."""
        return self.memory[0] > 0

    @property
    def ended(self) -> int:
        """How often the child has closed it again."""
        return self.memory[1]

    def follow(self) -> None:
        """In the child: note every opening of the database."""
        original = connection_module._connected

        @contextmanager
        def noted(store: Any) -> Iterator[Any]:
            self.memory[0] = 1
            try:
                with original(store) as connection:
                    yield connection
            finally:
                self.memory[0] = 0
                self.memory[1] = min(self.memory[1] + 1, 255)

        connection_module._connected = noted


@dataclass(frozen=True, slots=True)
class Ended:
    """A child that is gone: its exit code, negative for a signal, and the processor time it took."""

    code: int
    cpu_s: float


class Runs:
    """Forks, kills, and compares."""

    def __init__(self, root: Path, web: str, choose: random.Random, log: IO[str]) -> None:
        self.root = root
        self.web = web
        self.choose = choose
        self.log = log
        self.marks = Marks()
        self.calm: dict[str, Any] = {}
        self.cost_s: dict[str, float] = {}

    # --- children ---

    def fork(self, work: Callable[[], None]) -> int:
        """A child that does it and ends; its words go to the log."""
        self.marks.clear()
        self.log.flush()
        pid = os.fork()
        if pid:
            return pid
        code = FAILED
        try:
            os.setsid()
            os.dup2(self.log.fileno(), 1)
            os.dup2(self.log.fileno(), 2)
            self.marks.follow()
            work()
            code = 0
        except BaseException:
            traceback.print_exc()
        finally:
            sys.stderr.flush()
            os._exit(code)

    def wait(self, pid: int) -> Ended:
        """Until it is gone; what hangs is killed and told."""
        deadline = time.monotonic() + DEADLINE_S
        while True:
            gone, status, usage = os.wait4(pid, os.WNOHANG)
            if gone:
                return Ended(os.waitstatus_to_exitcode(status), usage.ru_utime + usage.ru_stime)
            if time.monotonic() > deadline:
                with suppress(ProcessLookupError):
                    os.killpg(pid, signal.SIGKILL)
                os.waitpid(pid, 0)
                raise AssertionError(f"did not end within {DEADLINE_S:g} s")
            time.sleep(0.002)

    def finish(self, scene: Scene, folder: Path, attempt: int) -> tuple[Any, float]:
        """Let the work end, undisturbed; what is there then."""
        answer = folder / "content.pickle"

        def end() -> None:
            scene.work(folder, Setting(self.web, attempt))
            content = scene.content(folder)
            answer.write_bytes(pickle.dumps(content))

        ended = self.wait(self.fork(end))
        assert ended.code == 0, f"the restart ended with code {ended.code}; its words are in the log"
        return pickle.loads(answer.read_bytes()), ended.cpu_s

    # --- one stage ---

    def prepare(self, scene: Scene) -> None:
        """The beginning, what an undisturbed run leaves, and what it costs."""
        beginning = self.beginning(scene)
        beginning.mkdir()
        ended = self.wait(self.fork(lambda: scene.make(beginning)))
        assert ended.code == 0, f"{scene.name}: cannot be laid out"
        with self.copied(scene) as folder:
            ended = self.wait(self.fork(lambda: scene.work(folder, Setting(self.web, 0))))
            assert ended.code == 0, f"{scene.name}: the undisturbed run failed"
            self.cost_s[scene.name] = ended.cpu_s
        with self.copied(scene) as folder:
            self.calm[scene.name], _ = self.finish(scene, folder, 0)

    def beginning(self, scene: Scene) -> Path:
        """Folder of a stage's beginning."""
        return self.root / scene.name.replace(" ", "-").replace(",", "").replace("'", "")

    @contextmanager
    def copied(self, scene: Scene) -> Iterator[Path]:
        """A copy to work on, of always the same name, since what is written may hold it."""
        folder = self.root / "round"
        shutil.copytree(self.beginning(scene), folder)
        yield folder
        shutil.rmtree(folder)

    def round(self, scene: Scene, at_most: int, figures: Figures) -> None:
        """Kill, kill again, let it end, compare."""
        figures.rounds[scene.name] += 1
        wanted = min(self.choose.choice((1, 1, 2, 3, 4)), at_most)
        with self.copied(scene) as folder:
            attempt = 0
            while attempt < wanted and self.strike(scene, folder, attempt, figures):
                attempt += 1
            # One that was done before its kill counts as a try too: the last one comes later than it.
            content, cpu_s = self.finish(scene, folder, attempt + 1)
            figures.cpu_s += cpu_s
            assert content == self.calm[scene.name], _difference(content, self.calm[scene.name])

    def strike(self, scene: Scene, folder: Path, attempt: int, figures: Figures) -> bool:
        """One kill; False when the work was done before it."""
        moment_s = self.choose.uniform(0.0, PAST_THE_END * self.cost_s[scene.name])
        pid = self.fork(lambda: scene.work(folder, Setting(self.web, attempt)))
        struck = self._wait_and_kill(pid, moment_s, worker=scene.kills_worker)
        ended = self.wait(pid)
        figures.cpu_s += ended.cpu_s
        if scene.kills_worker:
            assert ended.code == 0, f"the service ended with code {ended.code} when a worker was killed"
        else:
            assert ended.code in (0, -signal.SIGKILL), f"the work ended with code {ended.code}; see the log"
            struck = ended.code == -signal.SIGKILL
            with suppress(ProcessLookupError):
                # The workers of a dead service end by themselves; here they must be gone before the next run.
                os.killpg(pid, signal.SIGKILL)
        if struck:
            figures.kills[scene.name] += 1
        if struck and not scene.kills_worker:
            state = figures.in_transaction if self.marks.is_open else figures.between
            (state if self.marks.is_open or self.marks.ended else figures.before)[scene.name] += 1
        return struck and not scene.kills_worker

    def _wait_and_kill(self, pid: int, moment_s: float, *, worker: bool) -> bool:
        """At the moment, by the child's own clock of processor time."""
        # The clock of another process's processor time, as clock_getcpuclockid(3) makes its name.
        clock = (~pid << 3) | 2
        limit = time.monotonic() + DEADLINE_S
        while time.monotonic() < limit:
            if os.waitid(os.P_PID, pid, os.WEXITED | os.WNOHANG | os.WNOWAIT) is not None:
                return False
            try:
                is_time = time.clock_gettime(clock) >= moment_s
            except OSError:
                return False
            victim = self._worker_of(pid) if worker and is_time else pid
            if is_time and victim is not None:
                with suppress(ProcessLookupError):
                    os.kill(victim, signal.SIGKILL)
                    return True
            time.sleep(LOOK_EVERY_S)
        raise AssertionError("it neither worked nor ended")

    def _worker_of(self, pid: int) -> int | None:
        found: list[int] = []
        with suppress(OSError):
            for task in Path(f"/proc/{pid}/task").iterdir():
                found += [int(word) for word in (task / "children").read_text().split()]
        return self.choose.choice(found) if found else None


def _difference(ours: dict[str, Any], calm: dict[str, Any]) -> str:
    """Which tables differ, and the first row on either side that the other lacks."""
    said = []
    for name in calm:
        if ours.get(name) == calm[name]:
            continue
        only = [row for row in ours.get(name, []) if row not in calm[name]][:1]
        lost = [row for row in calm[name] if row not in ours.get(name, [])][:1]
        said.append(f"{name}: only here {str(only)[:500]}, lost {str(lost)[:500]}")
    return "; ".join(said) or "other tables"


@contextmanager
def receiver() -> Iterator[str]:
    """A web server in a process of its own; what a run posts is added to a file in its folder."""

    class Handler(http.server.BaseHTTPRequestHandler):
        def do_POST(self) -> None:
            body = self.rfile.read(int(self.headers["Content-Length"])).decode()
            line = json.dumps([self.headers["Idempotency-Key"], body])
            with (Path(self.path) / RECEIVED).open("a") as stream:
                stream.write(line + "\n")
            self.send_response(200)
            self.end_headers()

        def log_message(self, format: str, *args: object) -> None:
            """Say nothing."""

    server = http.server.HTTPServer(("127.0.0.1", 0), Handler)
    server.timeout = 1.0
    parent = os.getpid()
    pid = os.fork()
    if not pid:
        try:
            while os.getppid() == parent:  # it must not outlive a harness that is killed itself
                server.handle_request()
        finally:
            os._exit(1)
    server.socket.close()
    try:
        yield f"http://127.0.0.1:{server.server_port}"
    finally:
        os.kill(pid, signal.SIGKILL)
        os.waitpid(pid, 0)


def _warm_up() -> None:
    """Load what is only loaded when it is first needed; without it every child would."""
    import matplotlib.backends.backend_svg  # noqa: F401

    import trimkeep.service.ingest.tools
    import trimkeep.service.mail  # noqa: F401
    from trimkeep.detectors.registry import all_detectors
    from trimkeep.service.page_file import program_fingerprint

    all_detectors()
    program_fingerprint()


def run(
    kills: int, seed: int, names: list[str], log: IO[str], say: Callable[[str], None] = lambda _: None
) -> Figures:
    """So many kills; stops at none, tells all that was found.

    Parameters
    ----------
    kills : int
    seed : int
    names : list of str
        Only these stages; empty for all.
    log : TextIO
        A file that takes what the children say.
    say : callable
        Told now and then how far it is.
    """
    choose = random.Random(seed)
    scenes = [scene for scene in SCENES if not names or scene.name in names]
    assert scenes, f"there are: {[scene.name for scene in SCENES]}"
    figures = Figures()
    with tempfile.TemporaryDirectory(prefix="thousand-") as root, receiver() as web:
        _warm_up()
        gc.freeze()
        runs = Runs(Path(root), web, choose, log)
        for scene in scenes:
            runs.prepare(scene)
        say(f"the program in {Path(connection_module.__file__).parents[2]}, seed {seed}")
        say("undisturbed, processor seconds: " + str({name: round(s, 2) for name, s in runs.cost_s.items()}))
        told = 0
        while (done := figures.kills.total()) < kills:
            [scene] = choose.choices(scenes, [one.share for one in scenes])
            try:
                runs.round(scene, kills - done, figures)
            except AssertionError as error:
                figures.finds.append(f"after {done} kills, {scene.name}: {error}")
                say(f"FOUND {figures.finds[-1]}")
                kept = Path(tempfile.mkdtemp(prefix="thousand-found-"))
                shutil.move(Path(root) / "round", kept)
                say(f"kept in {kept}")
                if len(figures.finds) >= 20:
                    break
            if figures.kills.total() >= told + 50:
                told = figures.kills.total()
                say(f"{told} kills, {figures.rounds.total()} rounds, {figures.cpu_s:.0f} s of processor")
    return figures


def main(arguments: list[str] | None = None) -> None:
    """Run it and say what held; None means what the command line says."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--kills", type=int, default=1000)
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--scene", action="append", default=[], help="only this stage; may be given again")
    options = parser.parse_args(arguments)
    with tempfile.NamedTemporaryFile("w+", prefix="thousand-log-", delete=False) as log:
        figures = run(options.kills, options.seed, options.scene, log, lambda line: print(line, flush=True))
    print(f"\n{'stage':35} rounds  kills     database open   between two  before the first")
    for scene in SCENES:
        if figures.rounds[scene.name]:
            counts = [figures.in_transaction, figures.between, figures.before]
            shown = "".join(f"{one[scene.name]:14d}" for one in counts)
            print(f"{scene.name:35}{figures.rounds[scene.name]:7d}{figures.kills[scene.name]:7d}{shown}")
    totals = [figures.kills, figures.in_transaction, figures.between, figures.before]
    print(f"kills {' / '.join(str(one.total()) for one in totals)}, {figures.cpu_s:.0f} s of processor")
    if figures.finds:
        sys.exit("\n".join([*figures.finds, f"words of the runs: {log.name}"]))
    Path(log.name).unlink()
    print("all of it held")


if __name__ == "__main__":
    main()
