"""Who may read and who may write: accounts in a file of the state folder that only its owner can read.

Every change of it is a row of the audit chain as well, so that a name under an answer can be traced to the
day on which somebody gave it the right to answer.
"""

from __future__ import annotations

import fcntl
import hashlib
import json
import os
import stat
import unicodedata
from collections.abc import Callable, Iterator
from contextlib import contextmanager, suppress
from dataclasses import asdict, dataclass, replace
from datetime import datetime
from enum import StrEnum
from pathlib import Path
from typing import Any

from trimkeep.config.errors import SettingsError, UsageError
from trimkeep.config.toml_text import nearest
from trimkeep.service.store.audit import append_record
from trimkeep.service.store.connection import Store, unit_of_work

FILE_NAME = "accounts.json"
SCHEMA = 1
LONGEST_NAME = 60


class Role(StrEnum):
    """What an account may do."""

    READER = "reader"
    ENGINEER = "engineer"

    @property
    def may_write(self) -> bool:
        """Whether it may answer findings and record work."""
        return self is Role.ENGINEER


@dataclass(frozen=True, slots=True)
class Account:
    """One account. `credential` is the hash of a password (`scrypt$...`) or of a token (`sha256$...`)."""

    name: str
    role: Role
    credential: str
    made_at: str
    changed_at: str

    @property
    def by_token(self) -> bool:
        """Whether it is for a program, which sends a token instead of logging in."""
        return self.credential.startswith("sha256$")


def load_accounts(state: Path) -> tuple[Account, ...]:
    """All accounts by name; empty where none was ever made.

    Raises
    ------
    SettingsError
        The file cannot be read, is not as this program writes it, or others than its owner may read it.
    """
    path = state / FILE_NAME
    try:
        with path.open(encoding="utf-8") as stream:
            if stat.S_IMODE(os.fstat(stream.fileno()).st_mode) & 0o077:
                raise _wrong(path, "is open to others than its owner", f"Run: chmod 600 {path}")
            content = json.load(stream)
        if content["schema"] != SCHEMA:
            raise _wrong(path, "was written by another version", "Use the newer version of the program")
        found = [Account(**{**one, "role": Role(one["role"])}) for one in content["accounts"]]
    except FileNotFoundError:
        return ()
    except OSError as error:
        raise _wrong(path, f"cannot be read ({error.strerror})", "Run as the user it belongs to") from error
    except (ValueError, KeyError, TypeError) as error:
        raise _wrong(
            path, "is not as it was written", "Move it away and add the accounts anew: trimkeep account add"
        ) from error
    return tuple(sorted(found, key=lambda one: one.name.casefold()))


def _wrong(path: Path, what: str, then: str) -> SettingsError:
    return SettingsError(what, subject=str(path), next_step=then)


def find_account(accounts: tuple[Account, ...], name: str) -> Account | None:
    """The account of that name, however it was typed."""
    wanted = _key(name)
    return next((one for one in accounts if _key(one.name) == wanted), None)


def _key(name: str) -> str:
    return unicodedata.normalize("NFKC", " ".join(name.split())).casefold()


def add_account(store: Store, name: str, role: Role, credential: str, *, by: str, now: datetime) -> Account:
    """Make an account, in the file and in the audit chain.

    Parameters
    ----------
    store : Store
    name : str
        The person's name as it will stand under what they write.
    role : Role
    credential : str
        From `hash_password` or `hash_token`.
    by : str
        Who makes it.
    now : datetime
        Aware.

    Raises
    ------
    UsageError
        There is one of that name, or the name is none.
    """
    clean = _clean_name(name)
    moment = now.isoformat(timespec="seconds")
    account = Account(clean, role, credential, moment, moment)

    def change(accounts: tuple[Account, ...]) -> tuple[Account, ...]:
        if find_account(accounts, clean) is not None:
            raise UsageError(
                "has an account already",
                subject=clean,
                next_step="Give it a new password with `trimkeep account password`, or remove it first",
            )
        return (*accounts, account)

    _write(store, change, "account_added", {"account": clean, "role": str(role), "by": by})
    return account


def _clean_name(name: str) -> str:
    clean = unicodedata.normalize("NFC", " ".join(name.split()))
    if clean and len(clean) <= LONGEST_NAME and clean.isprintable():
        return clean
    raise UsageError(
        "is no name for an account",
        subject="NAME",
        next_step=f"Give the person's name, 1 to {LONGEST_NAME} letters on one line",
    )


def remove_account(store: Store, name: str, *, by: str) -> Account:
    """Take an account away; what it wrote stays. Whoever is logged in with it is not any more.

    Raises
    ------
    UsageError
        There is no such account.
    """
    gone: list[Account] = []

    def change(accounts: tuple[Account, ...]) -> tuple[Account, ...]:
        gone.append(_known(accounts, name))
        return tuple(one for one in accounts if one is not gone[0])

    _write(store, change, "account_removed", {"by": by}, gone)
    return gone[0]


def change_credential(store: Store, name: str, credential: str, *, by: str, now: datetime) -> Account:
    """Give an account another password or token; whoever is logged in with the old one is not any more.

    Raises
    ------
    UsageError
        There is no such account.
    """
    touched: list[Account] = []

    def change(accounts: tuple[Account, ...]) -> tuple[Account, ...]:
        old = _known(accounts, name)
        touched.append(replace(old, credential=credential, changed_at=now.isoformat(timespec="seconds")))
        return (*(one for one in accounts if one is not old), touched[0])

    _write(store, change, "account_credential_changed", {"by": by}, touched)
    return touched[0]


def _known(accounts: tuple[Account, ...], name: str) -> Account:
    found = find_account(accounts, name)
    if found is not None:
        return found
    names = [one.name for one in accounts]
    raise UsageError(
        "has no account",
        subject=" ".join(name.split()) or "NAME",
        next_step=nearest(name, names) if names else "Add one with `trimkeep account add`",
    )


def _write(
    store: Store,
    change: Callable[[tuple[Account, ...]], tuple[Account, ...]],
    kind: str,
    body: dict[str, Any],
    about: list[Account] | None = None,
) -> None:
    """Change the file and the chain together: the file is replaced inside the chain's transaction."""
    with held_accounts(store.state):
        accounts = change(load_accounts(store.state))
        if about:
            body = {**body, "account": about[0].name, "role": str(about[0].role)}
        with unit_of_work(store) as connection:
            append_record(connection, kind, "", body)
            _save(store.state, accounts)


def copy_file(source: Path, target: Path) -> str | None:
    """Copy the accounts from folder to folder, for a backup: readable to the owner only from the start.

    Returns
    -------
    str or None
        The copy's SHA-256; None when there are no accounts.

    Raises
    ------
    SettingsError
        The file cannot be read, or the copy cannot be written.
    """
    try:
        data = (source / FILE_NAME).read_bytes()
    except FileNotFoundError:
        return None
    except OSError as error:
        path = source / FILE_NAME
        raise _wrong(path, f"cannot be read ({error.strerror})", "Run as the user it belongs to") from error
    with _private(target / FILE_NAME, os.O_WRONLY | os.O_EXCL) as handle:
        _write_all(handle, data)
    return hashlib.sha256(data).hexdigest()


def _write_all(handle: int, data: bytes) -> None:
    rest = memoryview(data)
    while rest:
        rest = rest[os.write(handle, rest) :]
    os.fsync(handle)


@contextmanager
def held_accounts(state: Path) -> Iterator[None]:
    """Two commands at once must not each write back what they read."""
    with _private(state / f".{FILE_NAME}.lock", os.O_RDWR) as handle:
        fcntl.flock(handle, fcntl.LOCK_EX)
        yield


@contextmanager
def _private(path: Path, flags: int) -> Iterator[int]:
    """A file that nobody else can ever read, also not while it is being made."""
    try:
        handle = os.open(path, flags | os.O_CREAT | os.O_CLOEXEC | os.O_NOFOLLOW, 0o600)
    except OSError as error:
        raise _wrong(path, f"cannot be written ({error.strerror})", "Run as the service's user") from error
    try:
        yield handle
    finally:
        os.close(handle)


def _save(state: Path, accounts: tuple[Account, ...]) -> None:
    path, part = state / FILE_NAME, state / f".{FILE_NAME}.{os.getpid()}.part"
    content = {"schema": SCHEMA, "accounts": [asdict(one) for one in accounts]}
    text = json.dumps(content, indent=1, ensure_ascii=False) + "\n"
    with suppress(FileNotFoundError):
        part.unlink()
    try:
        with _private(part, os.O_WRONLY | os.O_EXCL) as handle:
            _write_all(handle, text.encode("utf-8"))
        part.replace(path)
    except OSError as error:
        with suppress(OSError):
            part.unlink()
        raise _wrong(path, f"cannot be written ({error.strerror})", "Make room, then try again") from error


class AccountBook:
    """The accounts as they are now: the file is read again when it was replaced."""

    def __init__(self, state: Path) -> None:
        self.state = state
        self._stamp: tuple[int, int] | None = None
        self._accounts: tuple[Account, ...] = ()

    def all(self) -> tuple[Account, ...]:
        """All accounts. Errors as `load_accounts`."""
        try:
            found = (self.state / FILE_NAME).stat()
        except FileNotFoundError:
            return ()
        stamp = (found.st_ino, found.st_mtime_ns)
        if stamp != self._stamp:
            self._accounts = load_accounts(self.state)
            self._stamp = stamp
        return self._accounts
