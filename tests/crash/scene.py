"""What is killed a thousand times: for each stage its beginning, the work, and what must be there afterwards.

Every function of a scene runs in a process of its own that was forked for it; the process that forks never
opens a store, so that no thread is alive at the fork.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from trimkeep.config.load import load_fleet
from trimkeep.config.settings import FleetSettings
from trimkeep.service.integrity import check_store
from trimkeep.service.store.audit import verify_chain
from trimkeep.service.store.connection import Store, unit_of_work

OF_CHAIN = {"audit_record": "seq, kind, airframe, body"}
# Two logs are read at once, so which of them is stored first is open.
OF_CHAIN_UNORDERED = {"audit_record": "kind, airframe, body"}


@dataclass(frozen=True, slots=True)
class Setting:
    """What a run may need besides its folder: the web server's address, and which try this is."""

    web: str
    attempt: int


Work = Callable[[Path, Setting], None]


@dataclass(frozen=True, slots=True)
class Scene:
    """One stage.

    Parameters
    ----------
    name : str
    make : callable
        Lays out the beginning in a folder, once; every round begins with a copy.
    work : callable
        What is killed, and what a restart does again.
    content : callable
        Everything that must be as after an undisturbed run, row by row; raises where something
        contradicts itself.
    share : int
        How often it is chosen, against the others.
    kills_worker : bool
        A worker is killed and not the service, which must then finish by itself.
    """

    name: str
    make: Callable[[Path], None]
    work: Work
    content: Callable[[Path], dict[str, Any]]
    share: int = 1
    kills_worker: bool = False


def fleet_of(folder: Path) -> FleetSettings:
    return load_fleet(folder / "fleet", environment={})


def rows(state: Path, *tables: dict[str, str]) -> dict[str, Any]:
    with unit_of_work(Store(state)) as connection:
        return {
            table: sorted(connection.execute(f"SELECT {columns} FROM {table}").fetchall(), key=repr)
            for part in tables
            for table, columns in part.items()
        }


def assert_sound(state: Path, *, read_all: bool) -> None:
    """Raise where the store contradicts itself; synthetic stores have no recordings to read."""
    store = Store(state)
    faults = check_store(store, read_all=True) if read_all else verify_chain(store)
    assert faults == (), faults


def files_in(folder: Path) -> list[tuple[str, bytes]]:
    return [
        (path.relative_to(folder).as_posix(), path.read_bytes())
        for path in sorted(folder.rglob("*"))
        if path.is_file() and not path.name.endswith(".part")
    ]
