"""A day of the shop runs from its own midnight to the next, also where clocks are changed."""

import os
import subprocess
import sys
import zoneinfo
from datetime import UTC, date, datetime, timedelta
from pathlib import Path
from zoneinfo import ZoneInfo

import pytest
from hypothesis import given
from hypothesis import strategies as st

from station.common import days
from station.errors import InputError
from station.given.config import demo_path, read_config

OSLO = ZoneInfo("Europe/Oslo")


@pytest.mark.parametrize(
    ("zone", "day", "utc", "hours"),
    [
        ("Europe/Oslo", "2026-03-28", "2026-03-27T23:00:00.000+00:00", 24),
        ("Europe/Oslo", "2026-03-29", "2026-03-28T23:00:00.000+00:00", 23),  # clocks go forward
        ("Europe/Oslo", "2026-10-25", "2026-10-24T22:00:00.000+00:00", 25),  # and back
        ("America/Havana", "2024-03-10", "2024-03-10T05:00:00.000+00:00", 23),  # there is no midnight
        ("America/Havana", "2024-11-03", "2024-11-03T04:00:00.000+00:00", 25),  # midnight comes twice
        ("Asia/Kathmandu", "2026-01-01", "2025-12-31T18:15:00.000+00:00", 24),
        ("UTC", "2026-01-01", "2026-01-01T00:00:00.000+00:00", 24),
    ],
)
def test_a_day_begins_at_its_own_midnight(zone: str, day: str, utc: str, hours: int) -> None:
    """Source of the offsets: the time zone database."""
    here = ZoneInfo(zone)
    assert days.begins(day, here) == utc
    after = days.begins(date.fromisoformat(day) + timedelta(days=1), here)
    assert datetime.fromisoformat(after) - datetime.fromisoformat(utc) == timedelta(hours=hours)


@given(
    st.sampled_from(sorted(zoneinfo.available_timezones())),
    st.dates(min_value=date(2015, 1, 1), max_value=date(2035, 12, 31)),
)
def test_every_moment_belongs_to_the_day_that_it_lies_in(zone: str, day: date) -> None:
    here = ZoneInfo(zone)
    first = datetime.fromisoformat(days.begins(day, here))
    assert days.day_of(first.isoformat(), here) == day.isoformat()
    before = (first - timedelta(milliseconds=1)).isoformat()
    assert days.day_of(before, here) == (day - timedelta(days=1)).isoformat()


def test_a_zone_is_one_of_the_database_or_the_machines_own() -> None:
    assert days.zone_name(days.zone_of("Europe/Oslo")) == "Europe/Oslo"
    machine = datetime(2026, 7, 1, tzinfo=days.zone_of(None))
    assert machine.utcoffset() == datetime(2026, 7, 1).astimezone().utcoffset()
    for wrong in ("Middle/Earth", "../etc/passwd", "Europe/"):
        with pytest.raises(InputError, match="time zone database"):
            days.zone_of(wrong)


def test_a_time_without_an_offset_is_utc() -> None:
    assert days.day_of("2026-03-28T23:30:00", OSLO) == "2026-03-29"
    assert days.day_of("2026-03-28", UTC) == "2026-03-28"


def test_each_day_of_a_period() -> None:
    assert days.each("2026-02-27", "2026-03-02") == ["2026-02-27", "2026-02-28", "2026-03-01"]


def test_a_bays_file_names_its_zone(tmp_path: Path) -> None:
    text = demo_path().read_text(encoding="utf-8")
    for zone in ("Europe/Oslo", "Asia/Kathmandu"):
        (tmp_path / "bay.toml").write_text(text.replace("[bay]\n", f'[bay]\ntime_zone = "{zone}"\n'))
        assert days.zone_name(read_config(tmp_path / "bay.toml").zone) == zone
    for wrong, said in (('"Middle/Earth"', ".*time zone database"), ("2", "2; expected text")):
        (tmp_path / "bay.toml").write_text(text.replace("[bay]\n", f"[bay]\ntime_zone = {wrong}\n"))
        with pytest.raises(InputError, match=rf"\[bay\] time_zone is {said}"):
            read_config(tmp_path / "bay.toml")


def test_a_machine_that_names_no_zone_of_the_database_is_told_what_to_do(tmp_path: Path) -> None:
    done = subprocess.run(
        [sys.executable, "-m", "station", "stock", "--ledger", str(tmp_path / "none.sqlite")],
        env={**os.environ, "PYTHONPATH": str(Path(__file__).parents[3]), "TZ": "Middle/Earth"},
        capture_output=True,
        text=True,
        check=False,
    )
    assert done.returncode == 2
    assert "time zone is not clear" in done.stderr
    assert "Traceback" not in done.stderr
