"""Passwords and secrets: from the environment, else from a file of their own; never from the settings."""

from __future__ import annotations

import os
from pathlib import Path

from trimkeep.config.errors import SettingsError


def secret(variable: str, file: str, folder: Path) -> str | None:
    """A secret; None when it is set nowhere.

    Parameters
    ----------
    variable : str
        Environment variable; wins over the file.
    file : str
        File that holds nothing else, relative to `folder`; empty for none. A last line break is left out.

    Raises
    ------
    SettingsError
        The file cannot be read. The message never holds what is in it.
    """
    given = os.environ.get(variable)
    if given is not None:
        return given
    if not file:
        return None
    try:
        return (folder / file).read_text(encoding="utf-8").rstrip("\r\n")
    except (OSError, UnicodeDecodeError) as error:
        raise SettingsError(
            "the secret cannot be read from it",
            subject=str(folder / file),
            next_step=f"Make the file readable to this user, or set {variable}",
        ) from error
