"""Every error a user may meet: which file, what is wrong, what to do.

Our own bugs are not in this tree; they come with a traceback.
"""

from __future__ import annotations

from typing import Any


class TrimkeepError(Exception):
    """Base of all errors that a user, a file or the surroundings can cause.

    Parameters
    ----------
    message : str
        What is wrong, one clause without a full stop.
    subject : str
        The file (with line or byte), setting or airframe it is about.
    next_step : str
        What to do about it, one clause without a full stop.
    """

    slug = "error"
    exit_code = 1

    def __init__(self, message: str, *, subject: str, next_step: str) -> None:
        super().__init__(message)
        self.message = message
        self.subject = subject
        self.next_step = next_step

    def __str__(self) -> str:
        return f"{self.subject}: {self.message}. {self.next_step}."

    def __reduce__(self) -> tuple[Any, ...]:
        # Keyword-only fields do not survive the default pickling, and an exception that
        # cannot be unpickled breaks the whole process pool, not only its own log.
        return (_rebuild, (type(self), self.message, self.subject, self.next_step))


def _rebuild(kind: type[TrimkeepError], message: str, subject: str, next_step: str) -> TrimkeepError:
    return kind(message, subject=subject, next_step=next_step)


class UsageError(TrimkeepError):
    """The command was asked for something that does not exist (an airframe, a finding, a folder)."""

    slug = "usage"
    exit_code = 2


class SettingsError(TrimkeepError):
    """An unknown key, a wrong type or a value out of range in a settings file."""

    slug = "settings"
    exit_code = 3


class LogError(TrimkeepError):
    """A log that cannot be used. Only the four kinds below are raised."""

    slug = "log"
    exit_code = 4


class UnknownFormat(LogError):
    """No reader recognises the file."""

    slug = "unknown-format"


class UnreadableLog(LogError):
    """The file is of a known format but cannot be read."""

    slug = "unreadable-log"


class NoChannels(LogError):
    """The file was read but holds no channel that the project knows."""

    slug = "no-channels"


class ClockUnusable(LogError):
    """The log's times cannot be put in order."""

    slug = "clock-unusable"


class JournalError(TrimkeepError):
    """A line of the maintenance journal cannot be understood."""

    slug = "journal"
    exit_code = 5


class StoreError(TrimkeepError):
    """The store cannot be used."""

    slug = "store"
    exit_code = 6


class StoreBusy(StoreError):
    """Another process held the store for longer than we wait."""

    slug = "store-busy"


class StoreTooNew(StoreError):
    """The store was written by a newer version of the program."""

    slug = "store-too-new"


class StoreDamaged(StoreError):
    """The store's content contradicts itself."""

    slug = "store-damaged"


class RecordingRemoved(StoreError):
    """A decoded recording was removed by the retention setting, and its log cannot be read again here."""

    slug = "recording-removed"


class ReportError(TrimkeepError):
    """A page could not be made or written."""

    slug = "report"
    exit_code = 7


class DeliveryError(TrimkeepError):
    """A message that was to go out at once did not arrive."""

    slug = "delivery"
    exit_code = 8


class LogStorageError(TrimkeepError):
    """The object storage that logs are read from cannot be used; logs that were stored stay stored."""

    slug = "log-storage"
    exit_code = 9


class LogUnreachable(LogStorageError):
    """One log in object storage cannot be read now. It stays to be read, and the others are."""

    slug = "log-unreachable"


class ClusterError(TrimkeepError):
    """The scheduler or a worker of a cluster cannot be used; logs that were stored stay stored."""

    slug = "cluster"
