"""The shop's days: whose midnight a day begins at. The record's times are UTC; people count in days of their own zone."""

import warnings
from datetime import UTC, date, datetime, timedelta, tzinfo
from zoneinfo import ZoneInfo, ZoneInfoNotFoundError

from tzlocal import get_localzone

from station.errors import InputError

WARN_DAYS = 30
"""So long before it ends a certificate is said to be due (common practice, no source)."""


def zone_of(name: str | None) -> tzinfo:
    """The zone of a name such as "Europe/Oslo"; this machine's own where none is given. Raises InputError."""
    if not name:
        return _machines_own()
    try:
        return ZoneInfo(name)
    except (ZoneInfoNotFoundError, ValueError, OSError, TypeError):
        raise InputError(
            f"time_zone is {name!r}; expected a name of the time zone database, such as Europe/Oslo."
        ) from None


def _machines_own() -> tzinfo:
    try:
        with warnings.catch_warnings():
            warnings.simplefilter(
                "ignore"
            )  # a machine that was never told its zone keeps UTC, and the pages say so
            return get_localzone()
    except ZoneInfoNotFoundError as error:
        said = str(error).splitlines()[0].strip("'\"")
        raise InputError(
            f"this machine's time zone is not clear ({said}). Mend it with timedatectl, or set time_zone in [bay] of "
            "the bay's file."
        ) from error


def zone_name(zone: tzinfo) -> str:
    """What to write beside figures per day."""
    return str(zone)


def now() -> datetime:
    return datetime.now(UTC)


def today(zone: tzinfo) -> date:
    return now().astimezone(zone).date()


def begins(day: str | date, zone: tzinfo) -> str:
    """The moment at which a day begins, as the record writes times: where clocks jump over midnight, at the jump;
    where midnight comes twice, at the first."""
    first = date.fromisoformat(day) if isinstance(day, str) else day
    midnight = datetime(first.year, first.month, first.day, tzinfo=zone)
    return midnight.astimezone(UTC).isoformat(timespec="milliseconds")


def day_of(utc: str, zone: tzinfo) -> str:
    """The ISO date on which a time of the record fell. A time without an offset is UTC."""
    when = datetime.fromisoformat(utc)
    if when.tzinfo is None:
        when = when.replace(tzinfo=UTC)
    return when.astimezone(zone).date().isoformat()


def each(since: str, until: str) -> list[str]:
    """Every ISO date from one to another, the second not included."""
    first, after = date.fromisoformat(since), date.fromisoformat(until)
    return [f"{first + timedelta(days=n)}" for n in range((after - first).days)]
