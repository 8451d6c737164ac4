"""Snow: when it may lie, what it excuses, and when it is given up as an explanation."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import replace
from datetime import date, timedelta

import numpy as np
import pytest

from ingest.readings import Channel, Values
from monitor.config.models import Site
from monitor.detect.evening import idle_today
from monitor.detect.inverter_outage import InverterOutage
from monitor.detect.night import Region, SiteNight
from monitor.detect.observe import observe
from monitor.detect.snow import Snow
from monitor.model.physics import site_physics
from tests.unit.monitor.detect.limited import (
    AC,
    AIR,
    EXPORT,
    GLOBAL,
    POWER,
    VOLTS,
    air_day,
    clear_day,
    days_from,
    history,
    home,
    night_of,
    replay,
    times,
)  # fmt: skip

FEBRUARY = date(2026, 2, 10)
Columns = dict[Channel, Values]


def winter_day(site: Site, air_c: float, *, passes: float = 1.0, day: date = FEBRUARY) -> Columns:
    """A bright day of that mean air under a sensor of the light, on which this share of the power is there."""
    columns = clear_day(site, day)
    columns[AIR] = air_day(times(site, day), air_c)
    quarters = times(site, day)[::3]
    columns[GLOBAL] = np.interp(times(site, day) + 150.0, quarters + 450.0, site_physics(site, quarters).clear.ghi)
    for channel in (AC, EXPORT, *POWER.values(), *VOLTS.values()):
        columns[channel] = passes * columns[channel]
    return columns


def nights(site: Site, air: Sequence[float], passes: Sequence[float]) -> list[tuple[date, Mapping[Channel, Values]]]:
    days = days_from(FEBRUARY, len(air))
    return [(d, winter_day(site, t, passes=p, day=d)) for d, t, p in zip(days, air, passes, strict=True)]


def possible(air: Sequence[float], passes: Sequence[float]) -> list[bool]:
    """Whether snow may lie, night by night."""
    site, seen = home(), list[bool]()

    class Listening:
        cause = "snow"

        def find(self, night: SiteNight) -> list[object]:
            seen.append(night.snow_possible)
            return []

    replay(site, Listening(), nights(site, air, passes))  # type: ignore[arg-type]
    return seen


def test_snow_may_lie_on_milder_days_until_it_has_melted() -> None:
    assert possible([6.0, 0.0, 5.0, 5.0], [0.0] * 4) == [False, True, False, False]
    assert possible([-1.0] * 4 + [4.0] * 4, [0.0] * 8) == [True] * 6 + [False] * 2


def test_a_roof_that_has_worked_holds_no_more_than_the_last_fall() -> None:
    snowed = possible([-1.0] * 5 + [4.0] * 2, [0.0] * 7)
    worked = possible([-1.0] * 5 + [4.0] * 2, [0.0] * 4 + [1.0] * 3)
    assert (snowed[-1], worked[-1]) == (True, False)


def test_a_dead_inverter_in_the_cold_is_told_on_the_fifth_day_and_sooner_beside_neighbours_that_work() -> None:
    site = home()
    night = night_of(site, winter_day(site, -1.0, passes=0.0), FEBRUARY)
    (alone,) = InverterOutage().find(night)
    assert (alone.says, alone.nights_needed) == ("trouble", 5)
    (watched,) = InverterOutage().find(replace(night, region=Region(0, 3)))
    assert watched.nights_needed == 3
    (snowed,) = InverterOutage().find(replace(night, region=Region(2, 3)))
    assert snowed.says == "unclear"
    said, findings = replay(site, InverterOutage(), nights(site, [-1.0] * 6, [0.0] * 6))
    assert [f.raised for f in findings] == [FEBRUARY + timedelta(4)]
    _, findings = replay(site, InverterOutage(), nights(site, [8.0], [0.0]))
    assert [f.raised for f in findings] == [FEBRUARY]


def test_light_through_snow_excuses_even_after_a_moment_in_the_sun() -> None:
    site = home()
    columns = winter_day(site, -1.0, passes=0.02)
    columns[AC][130:136] = 0.2 * clear_day(site, FEBRUARY)[AC][130:136]
    (verdict,) = InverterOutage().find(night_of(site, columns, FEBRUARY))
    assert verdict.says == "unclear"


def test_snow_is_one_note_of_the_site_with_the_days_it_lay() -> None:
    site = home()
    air, passes = [0.0, -2.0, -2.0, 4.0, 4.0, 4.0], [1.0, 0.02, 0.02, 0.02, 1.0, 1.0]
    said, findings = replay(site, Snow(), nights(site, air, passes))
    assert [v[0].says for v in said] == ["healthy", *["trouble"] * 3, "healthy", "healthy"]
    (note,) = findings
    assert (note.subject, note.level, note.state) == ("site", "note", "cleared")
    assert note.evidence["days_seen"] == 3
    assert "on 3 days between 11 February 2026 and 13 February 2026" in note.summary
    per_day = [float(np.sum(c[AC])) * 300 / 3.6e6 / 0.02 for _, c in nights(site, air, passes)[1:4]]
    assert note.lost_kwh_low < sum(per_day) < note.lost_kwh_high


@pytest.mark.parametrize(("air", "passes"), [(15.0, 0.02), (15.0, 0.0), (0.0, 0.5)])
def test_what_is_no_snow(air: float, passes: float) -> None:
    site = home()
    night = observe(night_of(site, winter_day(site, air, passes=passes), FEBRUARY))
    assert [v.says for v in Snow().find(night)] != ["trouble"]


def test_a_single_string_at_nothing_beside_a_working_one_is_no_snow() -> None:
    site = home()
    columns = winter_day(site, -1.0)
    columns[POWER["s2"]] = 0.0 * columns[POWER["s2"]]
    columns[AC] = columns[AC] / 2.0
    assert [v.says for v in Snow().find(observe(night_of(site, columns, FEBRUARY)))] == ["unclear"]


def test_a_roof_that_makes_next_to_nothing_tells_its_neighbours() -> None:
    site = home()
    assert idle_today(night_of(site, winter_day(site, -1.0, passes=0.02), FEBRUARY)) is True
    assert idle_today(night_of(site, winter_day(site, -1.0), FEBRUARY)) is False


def test_snow_of_last_week_is_forgotten_by_nobody_who_measures_again() -> None:
    site = home()
    night = night_of(
        site, winter_day(site, 5.0, passes=0.0), FEBRUARY, history(site, FEBRUARY, {"site": {"snow_left": 9.0}})
    )
    assert (night.snow_possible, night.snow_left) == (True, pytest.approx(4.0))
