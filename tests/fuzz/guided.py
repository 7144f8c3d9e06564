"""Coverage-guided fuzzing: `python -m tests.fuzz.guided TARGET [CORPUS FOLDER] [-max_total_time=N] ...`.

Needs the extra `fuzz` (atheris); further arguments go to its engine. Only this project's Python is
instrumented: the compiled libraries below it are not ours to fuzz.
"""

from __future__ import annotations

import sys
from pathlib import Path

import atheris

with atheris.instrument_imports(include=["trimkeep"]):
    from tests.fuzz.targets import TARGETS


def main() -> None:
    """Write the seeds to the corpus folder and start the engine."""
    name, rest = sys.argv[1], sys.argv[2:]
    function, sound = TARGETS[name]
    if rest and not rest[0].startswith("-"):
        folder = Path(rest[0])
        folder.mkdir(parents=True, exist_ok=True)
        for number, data in enumerate(sound):
            (folder / f"seed-{number}").write_bytes(data)

    def one_input(data: bytes) -> int:
        # -1 keeps an input that was refused at the door out of the corpus.
        return 0 if function(data) else -1

    atheris.Setup([f"{sys.argv[0]} {name}", *rest], one_input)
    atheris.Fuzz()


if __name__ == "__main__":
    main()
