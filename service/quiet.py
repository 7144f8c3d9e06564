"""The hours in which nobody is to be disturbed, in the fleet's time zone."""

from __future__ import annotations

from datetime import datetime, time
from zoneinfo import ZoneInfo

from trimkeep.config.alerting import AlertSettings
from trimkeep.config.errors import SettingsError


def is_quiet(settings: AlertSettings, time_zone: str, now: datetime) -> bool:
    """Whether `now` lies in the quiet hours; they may pass midnight.

    Parameters
    ----------
    settings : AlertSettings
        Without both ends there are no quiet hours.
    time_zone : str
        IANA name.
    now : datetime
        Aware.

    Raises
    ------
    SettingsError
        An end is no time of day, or only one is given.
    """
    start, end = _time_of(settings.quiet_from, "quiet_from"), _time_of(settings.quiet_until, "quiet_until")
    if start is None and end is None:
        return False
    if start is None or end is None:
        raise SettingsError(
            "has only one end of the quiet hours",
            subject="setting alerts",
            next_step="Give both quiet_from and quiet_until, or neither",
        )
    local = now.astimezone(ZoneInfo(time_zone)).time()
    return start <= local < end if start <= end else local >= start or local < end


def _time_of(text: str, name: str) -> time | None:
    if not text:
        return None
    try:
        return datetime.strptime(text, "%H:%M").time()
    except ValueError as error:
        raise SettingsError(
            f"{text!r} is no time of day", subject=f"setting alerts.{name}", next_step="Write it as 22:00"
        ) from error
