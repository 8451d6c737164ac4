"""Standstills that come and go, begin in the evening or end in the morning: told, counted and kept as one trouble."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from datetime import date

import numpy as np
import pytest

from ingest.readings import Channel, Values
from monitor.detect.delivered import USUAL_EFFICIENCY
from monitor.detect.failed_string import FailedString
from monitor.detect.inverter_outage import InverterOutage
from monitor.detect.life import brought_up_to_date
from monitor.detect.night import Verdict
from tests.unit.monitor.detect.limited import (
    AC,
    JUNE,
    POWER,
    STEP_S,
    VOLTS,
    clear_day,
    days_from,
    home,
    limited_to,
    night_of,
    replay,
    seen_day,
)

SITE = home()
HOURS = np.arange(288) / 12.0
Columns = Mapping[Channel, Values]


def open_between(first_h: float, last_h: float, day: date = JUNE, *, volts: float = 372.0) -> Columns:
    """A cloudless day on which string s2 is open between two hours after midnight; its sibling works."""
    columns = dict(clear_day(SITE, day))
    open_now = (first_h <= HOURS) & (last_h > HOURS)
    columns[AC] = columns[AC] - np.where(open_now, USUAL_EFFICIENCY * columns[POWER["s2"]], 0.0)
    columns[POWER["s2"]] = np.where(open_now, 0.0, columns[POWER["s2"]])
    columns[VOLTS["s2"]] = np.where(open_now, volts, columns[VOLTS["s2"]])
    return columns


def off_between(first_h: float, last_h: float, day: date = JUNE) -> Columns:
    """Such a day on which the inverter is off between two hours."""
    off = (first_h <= HOURS) & (last_h > HOURS)
    return {
        c: np.where(off, 0.0, v) if c.quantity in ("ac_power", "dc_power", "export_power") else v
        for c, v in seen_day(SITE, day).items()
    }


def lost_kwh(columns: Columns, day: date, channel: Channel, factor: float) -> float:
    """What is lacking beside the same day without any trouble."""
    return factor * float(np.sum(clear_day(SITE, day)[channel] - columns[channel])) * STEP_S / 3.6e6


def told(said: Sequence[Sequence[Verdict]], subject: str) -> list[str]:
    return [v.says for night in said for v in night if v.subject == subject]


def test_a_contact_that_opens_at_noon_on_some_days_is_one_finding_with_its_losses() -> None:
    days = days_from(JUNE, 16)
    bad = {3, 6, 7, 11}
    recorded = [(d, open_between(12.0, 15.0, d) if n in bad else clear_day(SITE, d)) for n, d in enumerate(days)]
    said, findings = replay(SITE, FailedString(), recorded)
    (finding,) = findings
    assert (finding.subject, finding.state, finding.since) == ("string:s2", "open", days[3])
    assert finding.raised == days[6]  # once may be somebody at the isolator
    lost = sum(lost_kwh(dict(recorded)[days[n]], days[n], POWER["s2"], USUAL_EFFICIENCY) for n in bad)
    assert finding.lost_kwh == pytest.approx(lost, rel=0.1)
    assert finding.lost_kwh_low < lost < finding.lost_kwh_high
    assert told(said, "string:s1") == ["healthy"] * 16
    night = night_of(SITE, clear_day(SITE))
    assert "falls to nothing and comes back (on 4 of the last" in brought_up_to_date(night, finding).summary
    assert "A loose contact can arc" in brought_up_to_date(night, finding).advice["service"]


def test_it_clears_after_two_quiet_weeks_and_not_before() -> None:
    days = days_from(JUNE, 30)
    recorded = [(d, open_between(11.0, 15.0, d) if n in (2, 4) else clear_day(SITE, d)) for n, d in enumerate(days)]
    _, (finding,) = replay(SITE, FailedString(), recorded)
    assert finding.state == "cleared"
    assert finding.cleared is not None
    assert 14 <= (finding.cleared - days[4]).days <= 18


@pytest.mark.parametrize(
    "make",
    [
        lambda d: open_between(12.0, 12.25, d),  # a quarter of an hour: the inverter looks for its working point
        lambda d: open_between(4.0, 5.5, d),  # before there is any light to speak of
        lambda d: limited_to(open_between(11.0, 15.0, d), 2000.0),  # held back: an inverter may let a string rest
    ],
)
def test_what_a_healthy_string_does_now_and_then_is_no_trouble(make: object) -> None:
    recorded = [(d, make(d)) for d in days_from(JUNE, 10)]  # type: ignore[operator]
    _, findings = replay(home(export_limit_w=1700), FailedString(), recorded)
    assert findings == []


def test_a_cloud_over_both_strings_is_no_interruption() -> None:
    dark = np.where((HOURS > 11.0) & (HOURS < 14.0), 0.02, 1.0)
    _, findings = replay(SITE, FailedString(), [(d, clear_day(SITE, d, dark)) for d in days_from(JUNE, 8)])
    assert findings == []


def test_a_standstill_counts_from_its_evening_to_its_morning() -> None:
    days = days_from(JUNE, 8)
    hours = {2: (16.0, 24.0), 3: (0.0, 24.0), 4: (0.0, 24.0), 5: (0.0, 13.0)}
    recorded = [(d, off_between(*hours[n], d) if n in hours else seen_day(SITE, d)) for n, d in enumerate(days)]
    _, (finding,) = replay(SITE, InverterOutage(), recorded)
    assert (finding.since, finding.last_seen) == (days[2], days[5])
    lost = sum(lost_kwh(dict(recorded)[days[n]], days[n], AC, 1.0) for n in hours)
    assert finding.lost_kwh == pytest.approx(lost, rel=0.1)
    assert finding.cleared is not None
    assert finding.cleared <= days[7]


def test_a_string_that_stood_for_days_and_was_mended_clears_within_days() -> None:
    days = days_from(JUNE, 16)
    hours = {2: (10.0, 24.0), **dict.fromkeys(range(3, 9), (0.0, 24.0)), 9: (0.0, 14.0)}
    recorded = [(d, open_between(*hours[n], d) if n in hours else clear_day(SITE, d)) for n, d in enumerate(days)]
    _, (finding,) = replay(SITE, FailedString(), recorded)
    assert (finding.since, finding.raised, finding.last_seen) == (days[2], days[2], days[9])
    assert finding.cleared == days[12]
    assert "comes back" not in finding.summary


def test_what_the_inverter_could_not_have_taken_is_no_loss() -> None:
    small = home(rated_ac_w=4200.0)
    free = clear_day(small)
    columns = dict(free)
    columns[POWER["s2"]] = 0.0 * columns[POWER["s2"]]
    columns[AC] = USUAL_EFFICIENCY * columns[POWER["s1"]]
    (verdict,) = [v for v in FailedString().find(night_of(small, columns)) if v.says == "trouble"]
    healthy = np.minimum(free[AC], 4200.0)
    lost = float(np.sum(healthy - columns[AC])) * STEP_S / 3.6e6
    assert lost < 0.9 * float(np.sum(USUAL_EFFICIENCY * free[POWER["s2"]])) * STEP_S / 3.6e6
    assert verdict.losses[-1].kwh == pytest.approx(lost, rel=0.05)


def test_nothing_is_looked_for_in_the_days_to_come() -> None:
    days = days_from(JUNE, 12)
    bad = {3, 6, 9}
    recorded = [(d, open_between(12.0, 15.0, d) if n in bad else clear_day(SITE, d)) for n, d in enumerate(days)]
    long = replay(SITE, FailedString(), recorded)[0]
    short = replay(SITE, FailedString(), recorded[:8])[0]
    assert [[(v.subject, v.says, v.losses) for v in n] for n in long[:8]] == [
        [(v.subject, v.says, v.losses) for v in n] for n in short
    ]
