"""When a recording was made, as well as it can be justified; the doubt is kept with the answer."""

from __future__ import annotations

import re
from datetime import UTC, datetime, timedelta
from zoneinfo import ZoneInfo

from trimkeep.detectors.model import ClockSource, Recording

# A date and a time of day in a file's name: 2026-03-14_10-05-00, 20260314T100500, 2026-03-14 10.05 ...
# Digits on either side would make it a serial number.
_NAME = re.compile(
    r"(?<!\d)(?P<year>20\d\d)[-_.]?(?P<month>[01]\d)[-_.]?(?P<day>[0-3]\d)"
    r"(?:[-_. T]+(?P<hour>[0-2]\d)[-_.:h]?(?P<minute>[0-5]\d)(?:[-_.:m]?(?P<second>[0-5]\d))?)?(?!\d)"
)
# The open protocol's stream and the aeroplanes that send it are younger; an older date is a clock that
# was never set.
EARLIEST = datetime(2005, 1, 1, tzinfo=UTC)


def place_in_time(
    recording: Recording, file_name: str, mtime_ns: int, time_zone: str
) -> tuple[datetime, ClockSource]:
    """The recording's time zero and what it rests on.

    Parameters
    ----------
    recording : Recording
        Its own start is used where it has a plausible one.
    file_name : str
        May hold a date and a time, taken as local time of the fleet; a date alone means its noon.
    mtime_ns : int
        Last change of the file, nanoseconds since 1970: the end of the recording, failing all else.
    time_zone : str
        IANA name of the fleet's time zone.

    Returns
    -------
    datetime, ClockSource
        Aware UTC.
    """
    if recording.start_utc is not None and recording.start_utc >= EARLIEST:
        return recording.start_utc.astimezone(UTC), recording.clock
    named = time_in_name(file_name, time_zone)
    if named is not None:
        return named, ClockSource.FILE_NAME
    ended = datetime.fromtimestamp(mtime_ns / 1e9, UTC)
    return ended - timedelta(seconds=recording.duration_s), ClockSource.FILE_TIME


def time_in_name(file_name: str, time_zone: str) -> datetime | None:
    """The date and time that a file's name states, as aware UTC; None when it states none.

    >>> time_in_name("flight_2026-03-14_10-05-00.csv", "Europe/Lisbon").isoformat()
    '2026-03-14T10:05:00+00:00'
    """
    for found in _NAME.finditer(file_name):
        parts = found.groupdict()
        hour = int(parts["hour"]) if parts["hour"] else 12
        try:
            local = datetime(
                int(parts["year"]),
                int(parts["month"]),
                int(parts["day"]),
                hour,
                int(parts["minute"] or 0),
                int(parts["second"] or 0),
                tzinfo=ZoneInfo(time_zone),
            )
        except ValueError:
            continue  # 2026-13-40 is no date; another part of the name may be one
        return local.astimezone(UTC)
    return None
