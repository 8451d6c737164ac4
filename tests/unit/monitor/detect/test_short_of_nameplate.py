"""Strings that have always lacked something, repairs that left something, and whose papers may be wrong instead."""

from __future__ import annotations

from dataclasses import replace
from datetime import timedelta

import numpy as np
import pytest

from ingest.readings import Values
from monitor.detect.finding import Finding
from monitor.detect.night import SiteNight, Verdict
from monitor.detect.table import spoils
from monitor.detect.underperforming_string import UnderperformingString
from monitor.model.history import DayNote, SiteHistory
from tests.unit.monitor.detect.limited import JUNE, clear_day, home, night_of

SITE = home()
SHORT = float(np.log(0.8))


def level(value: float, days: int = 40) -> Values:
    return np.asarray(value + np.random.default_rng(4).normal(0.0, 0.004, days))


def night_after(traits: dict[str, dict[str, Values]]) -> SiteNight:
    """A night with the last value of each series, after a past with the others, of which each day made 20 kWh."""
    past, size = SiteHistory(), len(next(iter(traits["string:s2"].values())))
    for n in range(size - 1):
        day = JUNE - timedelta(days=size - 1 - n)
        for subject, series in traits.items():
            kept = {k: float(v[n]) for k, v in series.items()}
            past.add([DayNote(day, subject, 20.0, 18.0, 22.0, 1.0, kept, 20.0)])
    tonight = {subject: {k: float(v[-1]) for k, v in series.items()} for subject, series in traits.items()}
    return replace(night_of(SITE, clear_day(SITE), past=past), past=past, traits=tonight)


def peers(values: Values, **more: Values) -> dict[str, dict[str, Values]]:
    names = ("peer", "peer_mid", "peer_best", "peer_am", "peer_noon", "peer_pm")
    return {"string:s2": {**dict.fromkeys(names, values), **more}}


def on_s2(night: SiteNight) -> Verdict:
    return next(v for v in UnderperformingString().find(night) if v.subject == "string:s2")


def test_a_short_string_is_told_to_be_watched_with_the_site_file_as_the_other_cause() -> None:
    verdict = on_s2(night_after(peers(level(SHORT), clear=level(-0.15))))
    assert (verdict.says, verdict.level, verdict.confidence) == ("trouble", "watch", 0.5)
    assert max(verdict.others, key=lambda cause: verdict.others[cause]) == "site_file"
    assert verdict.since == JUNE - timedelta(days=39)
    assert verdict.evidence["like_modules"] == pytest.approx(8.0, abs=0.1)
    # It made 20 kWh, which is 0.8 of what it would have made; or nothing is missing.
    assert verdict.losses[0].kwh == pytest.approx(5.0, abs=0.2)
    assert verdict.losses[0].low == 0.0


@pytest.mark.parametrize(("healthy", "says"), [(18, "trouble"), (28, "healthy")])
def test_a_loss_within_the_learning_weeks_is_told_with_its_day(healthy: int, says: str) -> None:
    series = np.concatenate((level(0.0, healthy), level(SHORT, 35)))
    verdict = on_s2(night_after(peers(series, peer_best=series, clear=level(-0.15, series.size))))
    if says == "trouble":
        assert (verdict.says, verdict.level, verdict.since) == (says, "watch", JUNE - timedelta(days=34))
    else:  # that is a change, and told as one
        assert (verdict.says, verdict.level, verdict.evidence["shape"]) == ("trouble", None, "step")


def test_learning_goes_on_beside_it() -> None:
    verdict = on_s2(night_after(peers(level(SHORT), clear=level(-0.15))))
    found = found_as(verdict)
    assert not spoils(found)
    assert spoils(replace(found, evidence={**found.evidence, "shape": "step"}))


def test_a_string_above_its_nameplate_is_not_short_though_its_sibling_gives_more() -> None:
    assert on_s2(night_after(peers(level(SHORT), clear=level(0.03)))).says == "healthy"


def test_the_voltage_says_whose_papers_err() -> None:
    own = peers(level(SHORT), clear=level(-0.15), volt_off=level(SHORT))
    assert on_s2(night_after({**own, "string:s1": {"volt_off": level(0.0)}})).says == "trouble"
    other = peers(level(SHORT), clear=level(-0.15), volt_off=level(0.0))
    assert on_s2(night_after({**other, "string:s1": {"volt_off": level(-SHORT)}})).says == "healthy"


@pytest.mark.parametrize(("size", "days"), [(np.log(0.93), 40), (SHORT, 20)])
def test_small_differences_and_first_weeks_say_nothing(size: float, days: int) -> None:
    assert on_s2(night_after(peers(level(float(size), days), clear=level(-0.15, days)))).says == "healthy"


def found_as(verdict: Verdict) -> Finding:
    """An open finding as a verdict makes it."""
    assert verdict.since is not None
    return Finding(
        id="f1", site=SITE.id, subject="string:s2", cause="underperforming_string", level="visit", state="open",
        since=verdict.since, raised=verdict.since, cleared=None, last_seen=JUNE, confidence=0.9, lost_kwh=1.0,
        lost_kwh_low=0.5, lost_kwh_high=2.0, lost_money=None, summary="", evidence=dict(verdict.evidence),
    )  # fmt: skip


@pytest.mark.parametrize(("left", "says"), [(0.9, "trouble"), (0.985, "healthy")])
def test_a_repair_that_leaves_a_third_of_the_loss_closes_nothing(left: float, says: str) -> None:
    lost, repaired = float(np.log(0.7)), float(np.log(left))
    series = np.concatenate((level(0.0, 60), level(lost, 20)))
    found = found_as(on_s2(night_after(peers(series))))
    night = replace(night_after(peers(np.concatenate((series, level(repaired, 8))))), known=(found,))
    verdict = on_s2(night)
    assert verdict.says == says
    if says == "trouble":
        assert verdict.evidence["loss_fraction"] == pytest.approx(0.1, abs=0.01)


def after_the_ratio_came_back(volts_of_both: float) -> Verdict:
    """Twenty days after a loss of voltage the strings are level again; so much of their own voltage is left then."""
    lost = float(np.log(0.9))
    ratio = np.concatenate((level(0.0, 60), level(lost, 20), level(0.0, 10)))
    found = found_as(on_s2(night_after(peers(ratio[:80]))))
    found = replace(found, evidence={**found.evidence, "voltage_change": lost})
    own = np.concatenate((level(0.0, 60), level(lost, 20), level(float(np.log(volts_of_both)), 10)))
    sibling = np.concatenate((level(0.0, 80), level(float(np.log(volts_of_both)), 10)))
    weak = np.concatenate((np.full(60, np.nan), np.ones(30)))  # days on which the finding was open
    traits = peers(ratio, volt_off=own, open=weak, felt_kwh=np.full(90, 20.0))
    night = night_after({**traits, "string:s1": {"volt_off": sibling}})
    return on_s2(replace(night, known=(found,)))


def test_strings_that_are_level_because_the_other_one_fell_are_both_weak() -> None:
    verdict = after_the_ratio_came_back(volts_of_both=0.9)
    assert (verdict.says, verdict.evidence["sibling"]) == ("trouble", "string:s1")
    assert verdict.evidence["sibling_fell"] == (JUNE - timedelta(days=9)).isoformat()
    assert verdict.losses[-1].kwh == pytest.approx(2.0, abs=0.2)


def test_strings_that_are_level_because_one_was_repaired_are_well() -> None:
    assert after_the_ratio_came_back(volts_of_both=1.0).says == "healthy"
