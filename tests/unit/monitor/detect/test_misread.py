"""A string that gives less and one whose sensor reads less: the inverter tells them apart."""

from __future__ import annotations

from dataclasses import replace
from datetime import timedelta

import numpy as np
import pytest

from ingest.readings import Values
from monitor.detect.contest import settle
from monitor.detect.data_fault import DataFault
from monitor.detect.finding import Finding
from monitor.detect.night import SiteNight, Verdict
from monitor.detect.words import summary
from monitor.model.history import DayNote, SiteHistory
from tests.unit.monitor.detect.limited import JUNE, clear_day, home, night_of

SITE = home()
LOSS = 0.08


def level(value: float, days: int, seed: int) -> Values:
    return np.asarray(value + np.random.default_rng(seed).normal(0.0, 0.003, days))


def night_after(ratio: Values, ac_over_dc: Values) -> SiteNight:
    """A night of string s2 and its inverter with the last value of each series, after a past with the others."""
    series = {"string:s2": {"peer_mid": ratio, "peer": ratio}, "inverter:inv1": {"ac_over_dc": ac_over_dc}}
    past = SiteHistory()
    for n in range(ratio.size - 1):
        day = JUNE - timedelta(days=ratio.size - 1 - n)
        for subject, traits in series.items():
            kept = {k: float(v[n]) for k, v in traits.items()}
            past.add([DayNote(day, subject, 20.0, 18.0, 22.0, 1.0, kept, 20.0)])
    tonight = {subject: {k: float(v[-1]) for k, v in traits.items()} for subject, traits in series.items()}
    return replace(night_of(SITE, clear_day(SITE), past=past), past=past, traits=tonight)


def dropped(ratio_now: float, days: int = 12) -> Values:
    return np.concatenate((level(0.0, 60, 1), level(ratio_now, days, 2)))


def on_s2(night: SiteNight) -> Verdict:
    return next(v for v in DataFault().find(night) if v.subject == "string:s2")


def sensor_night(days: int = 12) -> SiteNight:
    """Its string reads 8 % less, half of all DC: the ratio of AC to DC has risen by 4 %."""
    rise = -float(np.log(1.0 - 0.5 * LOSS))
    return night_after(dropped(float(np.log(1.0 - LOSS)), days), 0.96 + dropped(rise, days))


def test_a_sensor_that_reads_less_is_a_data_fault_and_no_weak_string() -> None:
    verdict = on_s2(sensor_night())
    assert (verdict.says, verdict.since) == ("trouble", JUNE - timedelta(days=11))
    assert verdict.evidence["level"] == pytest.approx(LOSS, abs=0.005)
    weak = Verdict("string:s2", "underperforming_string", "trouble", 0.9)
    assert [v.cause for v in settle(SITE, [verdict, weak], ()) if v.says == "trouble"] == ["data_fault"]


def test_a_string_that_takes_its_share_from_the_inverter_is_none() -> None:
    assert on_s2(night_after(dropped(float(np.log(1.0 - LOSS))), 0.96 + level(0.0, 72, 3))).says != "trouble"


@pytest.mark.parametrize(("back", "says"), [(False, "trouble"), (True, "healthy")])
def test_it_lasts_until_the_sensor_reads_as_before(*, back: bool, says: str) -> None:
    verdict = on_s2(sensor_night())
    assert verdict.since is not None
    known = Finding(
        id="f1", site=SITE.id, subject="string:s2", cause="data_fault", level="watch", state="open",
        since=verdict.since, raised=verdict.since, cleared=None, last_seen=JUNE, confidence=0.85, lost_kwh=0.0,
        lost_kwh_low=0.0, lost_kwh_high=0.0, lost_money=None, summary="", evidence=dict(verdict.evidence),
    )  # fmt: skip
    lowered = dropped(float(np.log(1.0 - LOSS)))
    ratio = np.concatenate((lowered, level(0.0, 8, 4))) if back else lowered
    night = replace(night_after(ratio, 0.96 + level(0.0, ratio.size, 3)), known=(known,))
    assert on_s2(night).says == says
    assert "readings that are 8% lower than before, while its inverter gives what it gave" in summary(SITE, known)
