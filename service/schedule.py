"""When digests are due. The store knows which were made; the scheduler only wakes us."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from datetime import datetime, timedelta
from zoneinfo import ZoneInfo

from apscheduler.schedulers.background import BackgroundScheduler
from apscheduler.triggers.cron import CronTrigger

from trimkeep.config.errors import SettingsError
from trimkeep.config.settings import DigestSettings

# Stepping through the fire times of a year of minutes is still quick; past that a longer
# pause of the service can only mean one digest anyway.
LONGEST_LOOK_BACK = timedelta(days=366)


@dataclass(frozen=True, slots=True)
class Schedule:
    """One line of `digest.schedule` with its trigger in the fleet's time zone."""

    name: str
    trigger: CronTrigger


def parse_schedules(settings: DigestSettings, time_zone: str) -> tuple[Schedule, ...]:
    """The schedules of the settings.

    Raises
    ------
    SettingsError
        A line is neither `daily`, `weekly` nor a cron expression of five fields.
    """
    hour, minute = _time_of_day(settings.at)
    zone = ZoneInfo(time_zone)
    schedules = []
    for line in settings.schedule:
        if line == "daily":
            trigger = CronTrigger(hour=hour, minute=minute, timezone=zone)
        elif line == "weekly":
            trigger = CronTrigger(day_of_week=settings.weekday, hour=hour, minute=minute, timezone=zone)
        else:
            trigger = _cron(line, zone)
        schedules.append(Schedule(line, trigger))
    return tuple(schedules)


def _time_of_day(text: str) -> tuple[int, int]:
    try:
        at = datetime.strptime(text, "%H:%M")
    except ValueError as error:
        raise SettingsError(
            f"{text!r} is no time of day", subject="setting digest.at", next_step="Write it as 06:00"
        ) from error
    return at.hour, at.minute


def _cron(line: str, zone: ZoneInfo) -> CronTrigger:
    try:
        return CronTrigger.from_crontab(line, timezone=zone)
    except ValueError as error:
        raise SettingsError(
            f"{line!r} is no schedule ({error})",
            subject="setting digest.schedule",
            next_step='Use "daily", "weekly" or five cron fields such as "0 6 * * mon"',
        ) from error


def latest_due(schedule: Schedule, made_until: datetime, now: datetime) -> datetime | None:
    """The newest moment in (made_until, now] at which a digest was due; None when none was.

    However many were missed while the service was down, one digest covers them.

    Parameters
    ----------
    made_until : datetime
        End of the newest period that has a digest of this schedule, aware.
    now : datetime
        Aware.
    """
    moment = max(made_until, now - LONGEST_LOOK_BACK)
    due: datetime | None = None
    while True:
        following = schedule.trigger.get_next_fire_time(None, moment + timedelta(seconds=1))
        if following is None or following > now:
            return due
        due = moment = following


def start_clock(
    schedules: tuple[Schedule, ...], wake: Callable[[], None], time_zone: str
) -> BackgroundScheduler:
    """A running scheduler that calls `wake` at every fire time; the caller shuts it down."""
    clock = BackgroundScheduler(timezone=ZoneInfo(time_zone))
    for schedule in schedules:
        # The library's default drops a job that is one second late; a machine waking from sleep always is.
        clock.add_job(
            wake,
            schedule.trigger,
            name=schedule.name,
            misfire_grace_time=None,
            coalesce=True,
            max_instances=1,
        )
    clock.start()
    return clock


def repeat(clock: BackgroundScheduler, job: Callable[[], None], every_s: float) -> None:
    """Add a job that runs at intervals; a run that is late or still going is not doubled."""
    clock.add_job(job, "interval", seconds=every_s, misfire_grace_time=None, coalesce=True, max_instances=1)
