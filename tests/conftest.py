"""A small fleet folder for whoever needs one: two invented homes, a week of quarter-hourly exports."""

from __future__ import annotations

import math
import os
from collections.abc import Callable, Iterator
from datetime import UTC, date, datetime, timedelta
from pathlib import Path

import pytest

from tests.cluster import MISSING, Cluster, find_programs

FIRST_DAY, DAYS = date(2025, 6, 1), 6
NOON_AFTER = int(datetime(2025, 6, 8, 12, tzinfo=UTC).timestamp())

FLEET = """
[fleet]
name = "Testing Roofs"
timezone = "Europe/London"
currency = "GBP"
"""

SITE = """
[site]
id = "{id}"
name = "{name}"
latitude = 52.1
longitude = -2.3
altitude_m = 60
timezone = "Europe/London"
commissioned = {commissioned}
homeowner_email = ["owner@example.org"]

[[plane]]
id = "south"
tilt_deg = 35
azimuth_deg = 180

[[inverter]]
id = "inv1"
rated_ac_w = 3600

[[string]]
id = "s1"
inverter = "inv1"
plane = "south"
modules = 10
[string.module]
pmp_w = 400
vmp_v = 31.0
imp_a = 12.9
voc_v = 37.2
isc_a = 13.7
gamma_pmp_pct_per_c = -0.34

[[source]]
id = "inv1-log"
kind = "table"
files = "incoming/{id}/inv1_*.csv"
interval_minutes = 15
time = {{ column = "time_utc", zone = "UTC", marks = "start" }}
columns = [
  {{ column = "AC power W", quantity = "ac_power", of = "inverter:inv1", unit = "W" }},
]
"""


def day_file(day: date) -> str:
    """A day's export: a smooth noon hump, nothing at night."""
    start = datetime(day.year, day.month, day.day, tzinfo=UTC)
    rows = ["time_utc,AC power W"]
    for quarter in range(96):
        at = start + timedelta(minutes=15 * quarter)
        height = math.sin(math.pi * (quarter / 4 - 4) / 16) if 16 <= quarter <= 80 else 0.0
        rows.append(f"{at:%Y-%m-%dT%H:%M:%SZ},{max(0.0, 2800 * height):.0f}")
    return "\n".join(rows) + "\n"


def write_fleet(folder: Path, first_day: date = FIRST_DAY) -> Path:
    """Write the fleet folder with its exports."""
    (folder / "sites").mkdir(parents=True)
    (folder / "fleet.toml").write_text(FLEET)
    for site_id, name in (("larkrise", "Larkrise Cottage"), ("millbeck", "Millbeck House")):
        (folder / "sites" / f"{site_id}.toml").write_text(SITE.format(id=site_id, name=name, commissioned=first_day))
        incoming = folder / "incoming" / site_id
        incoming.mkdir(parents=True)
        for n in range(DAYS):
            day = first_day + timedelta(days=n)
            (incoming / f"inv1_{day:%Y%m%d}.csv").write_text(day_file(day))
    return folder


@pytest.fixture
def fleet_folder(tmp_path: Path) -> Path:
    """A small fleet folder that nothing was done with yet."""
    return write_fleet(tmp_path / "fleet")


@pytest.fixture
def recent_fleet_folder(tmp_path: Path) -> Path:
    """The same with exports of the last days, for a program that looks at the machine's clock."""
    return write_fleet(tmp_path / "fleet", date.today() - timedelta(days=DAYS + 1))


@pytest.fixture
def write_day() -> Callable[[date], str]:
    """The text of a day's export."""
    return day_file


@pytest.fixture
def noon_after() -> int:
    """An instant a good day after the last reading, UTC epoch seconds."""
    return NOON_AFTER


@pytest.fixture(scope="session")
def cluster() -> Iterator[Cluster]:
    """A PostgreSQL server of this session's own; tests that stop a server take another one."""
    programs = find_programs()
    if programs is None:
        pytest.fail(MISSING) if os.environ.get("CI") else pytest.skip(MISSING)
    server = Cluster(programs)
    yield server
    server.remove()
