"""Object storage through fsspec: listing and reading, tried again when the network fails, told in a sentence.

What a driver raises is never printed: it may quote a request with its signature. Only its kind is named.
"""

from __future__ import annotations

import logging
import time
from collections.abc import Callable, Iterator, Mapping
from dataclasses import dataclass
from datetime import datetime
from functools import cache
from hashlib import sha256
from typing import Any, TypeVar
from urllib.parse import urlsplit

from trimkeep.config.errors import LogStorageError, LogUnreachable, SettingsError
from trimkeep.service.ingest.stability import FileStat

log = logging.getLogger(__name__)

T = TypeVar("T")
# Large enough that a flight's telemetry comes in one request, small enough to be held several times over.
BLOCK_BYTES = 8 << 20
FIRST_WAIT_S = 0.5
LONGEST_WAIT_S = 20.0
# No answer for so long is a failed try.
SILENCE_S = 30
# An object appears there when its upload has ended, and never in pieces.
WHOLE_AT_ONCE = frozenset({"s3", "s3a", "gs", "gcs", "abfs", "abfss", "az"})
S3 = frozenset({"s3", "s3a"})


class Changed(Exception):
    """The object is not the one that was listed."""


@dataclass(frozen=True, slots=True)
class Found:
    """One object: its name below the address, and what the listing says of it."""

    name: str
    stat: FileStat


class Objects:
    """What lies below one address.

    Parameters
    ----------
    address : str
        Such as `s3://bucket/fleet`.
    endpoint : str
        Of an S3-compatible server; empty for the driver's own.
    tries : int

    Raises
    ------
    SettingsError
        The address or the endpoint is none, or holds a password.
    LogStorageError
        The driver is not installed.
    """

    def __init__(self, address: str, endpoint: str, tries: int) -> None:
        self.address = checked(address, endpoint)
        self.scheme = urlsplit(address).scheme
        self.tries = tries
        self.driver = _driver(self.scheme, endpoint, address)
        self.root = str(self.driver._strip_protocol(address)).rstrip("/")

    @property
    def arrives_whole(self) -> bool:
        """Whether what is listed is complete."""
        return self.scheme in WHOLE_AT_ONCE

    def find(self) -> Iterator[Found]:
        """Everything below the address.

        Raises
        ------
        LogStorageError
            It cannot be listed.
        """
        listed: Mapping[str, Mapping[str, Any]] = self._tried(
            lambda: self.driver.find(self.root, detail=True), self.address
        )
        inside = self.root + "/"
        for name, info in listed.items():
            # Consoles mark a folder with an empty object whose name ends in a stroke.
            if name.startswith(inside) and info.get("type") == "file" and not name.endswith("/"):
                yield Found(name[len(inside) :], _stat(info))

    def stat_of(self, name: str) -> FileStat | None:
        """Status now; None when it is not there."""
        try:
            info = self._tried(lambda: self.driver.info(f"{self.root}/{name}"), name)
        except LogUnreachable as error:
            if isinstance(error.__cause__, FileNotFoundError):
                return None
            raise
        return _stat(info) if info.get("type") == "file" else None

    def blocks(self, name: str, size_bytes: int) -> Iterator[bytes]:
        """The content from its beginning, in blocks.

        Raises
        ------
        Changed
            It is shorter than it was, or gone.
        LogUnreachable
            It cannot be read.
        """
        for start in range(0, size_bytes, BLOCK_BYTES):
            yield self.part(name, start, min(start + BLOCK_BYTES, size_bytes))

    def part(self, name: str, start: int, end: int) -> bytes:
        """Bytes from `start` up to `end`. Errors as `blocks`."""

        def read() -> bytes:
            data: bytes = self.driver.cat_file(f"{self.root}/{name}", start=start, end=end)
            if len(data) != end - start:
                now = self.driver.info(f"{self.root}/{name}")
                if int(now["size"]) < end:
                    raise Changed
                raise ConnectionError("came cut off")
            return data

        try:
            return self._tried(read, name)
        except LogUnreachable as error:
            stat = None if isinstance(error.__cause__, FileNotFoundError) else self.stat_of(name)
            if stat is None or stat.size_bytes < end:
                raise Changed from error
            raise

    def _tried(self, what: Callable[[], T], name: str) -> T:
        wait_s = FIRST_WAIT_S
        for left in range(self.tries - 1, -1, -1):
            try:
                return what()
            except (Changed, LogStorageError):
                raise
            except Exception as error:  # a driver may raise anything, and nothing but it is called here
                if left and _may_pass(error):
                    log.info("%s: %s, tried again in %.1f s", name, type(error).__name__, wait_s)
                else:
                    raise self._unreachable(error, name) from error
            time.sleep(wait_s)
            wait_s = min(2.0 * wait_s, LONGEST_WAIT_S)
        raise AssertionError("unreachable")

    def _unreachable(self, error: Exception, name: str) -> LogStorageError:
        whole = name == self.address
        subject = self.address if whole else f"{self.address.rstrip('/')}/{name}"
        kind = LogStorageError if whole else LogUnreachable
        if isinstance(error, FileNotFoundError):
            what, step = "is not there", "See that the bucket and the part after it are written as they are"
        elif isinstance(error, PermissionError):
            what = "may not be read with the credentials of this machine"
            step = "See that they are valid and may list the bucket and read its objects"
        elif "Credentials" in type(error).__name__:
            what = "cannot be read, for this machine has no credentials"
            step = "Set them in the environment or in the driver's credentials file"
        else:
            tries = "one try" if self.tries == 1 else f"{self.tries} tries"
            what = f"could not be read in {tries} ({type(error).__name__})"
            step = "See that the endpoint is right and the network works; nothing was lost, it is tried again"
            step += " with the next look"
        return kind(what, subject=_printable(subject), next_step=step)


def _may_pass(error: Exception) -> bool:
    """Whether another try may end better."""
    lasting = isinstance(error, FileNotFoundError | PermissionError | NotImplementedError)
    return not lasting and "Credentials" not in type(error).__name__


def _printable(text: str) -> str:
    return "".join(char if char.isprintable() else "?" for char in text)


def _stat(info: Mapping[str, Any]) -> FileStat:
    """As of a file: the ETag stands for what the inode says, which is whether it is another one."""
    key = next((key for key in _TIMES if info.get(key) is not None), "mtime")
    changed = info.get(key) or 0.0
    tag = str(next((info[key] for key in _TAGS if info.get(key)), "")).strip('"')
    seconds = changed.timestamp() if isinstance(changed, datetime) else float(changed)
    # Some servers list milliseconds and answer for one object in whole seconds; a file system does not.
    mtime_ns = round(seconds * 1e9) if key == "mtime" else int(seconds) * 1_000_000_000
    number = int.from_bytes(sha256(tag.encode()).digest()[:8]) >> 1 if tag else 0
    return FileStat(int(info["size"]), mtime_ns, number)


_TIMES = ("LastModified", "last_modified", "updated", "mtime", "modified", "created")
_TAGS = ("ETag", "etag", "e_tag", "ino")


def checked(address: str, endpoint: str) -> str:
    """The address, if it is one.

    Raises
    ------
    SettingsError
        It is none, or it holds a name and a password; these are not repeated in the message.
    """
    for name, text in (("address", address), ("endpoint", endpoint)):
        if "@" in text.partition("://")[2].partition("/")[0]:
            raise SettingsError(
                f"setting logs.{name} holds a name or a password",
                subject="fleet.toml, the environment or --logs",
                next_step="Take it out; credentials belong in the environment or the credentials file",
            )
    parts = urlsplit(address)
    if "::" in address or not parts.scheme or "://" not in address or not (parts.netloc or parts.path):
        raise SettingsError(
            f"setting logs.address: {address!r} is no address",
            subject="fleet.toml, the environment or --logs",
            next_step="Write it as s3://bucket/part",
        )
    if endpoint and urlsplit(endpoint).scheme not in ("http", "https"):
        raise SettingsError(
            f"setting logs.endpoint: {endpoint!r} is no web address",
            subject="fleet.toml or the environment",
            next_step="Write it with https:// in front",
        )
    return address


@cache
def _driver(scheme: str, endpoint: str, address: str) -> Any:
    try:
        import fsspec

        kind = fsspec.get_filesystem_class(scheme)
        options = _s3_options(endpoint) if scheme in S3 else {}
        driver = kind(skip_instance_cache=True, use_listings_cache=False, **options)
    except ImportError as error:
        raise LogStorageError(
            "needs the drivers of object storage, which are not installed",
            subject=address,
            next_step='Install them with: pip install "trimkeep[objects]"',
        ) from error
    except ValueError as error:
        raise SettingsError(
            f"setting logs.address: {scheme}:// is no kind of storage that is known here",
            subject="fleet.toml, the environment or --logs",
            next_step="Write it as s3://bucket/part",
        ) from error
    if scheme in S3:
        driver.retries = 1  # tries are counted in one place, here
    return driver


def _s3_options(endpoint: str) -> dict[str, Any]:
    quick = {"total_max_attempts": 1, "mode": "standard"}
    config = {"connect_timeout": 10, "read_timeout": SILENCE_S, "retries": quick}
    return {"config_kwargs": config, **({"endpoint_url": endpoint} if endpoint else {})}
