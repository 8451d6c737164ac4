"""What an engineer's verdict makes of a finding and of the nights after it."""

from __future__ import annotations

from dataclasses import replace
from datetime import date, timedelta

import numpy as np
import pytest

from monitor.config.models import Site
from monitor.detect.change import Prior
from monitor.detect.night import Verdict
from monitor.detect.ruling import Ruling, Said, epochs_on, renewed, silenced
from monitor.detect.weak import Channel, look
from monitor.model.gain import Gains
from monitor.model.history import DayNote, SiteHistory
from tests.unit.monitor.detect.test_detectors import AC, WORKS, night
from tests.unit.monitor.report.test_adding_up import finding

DAY = date(2026, 6, 1)
TRAIT = Channel("peer_mid", Prior(sigma=0.02, wander=0.008, least=0.004), least_size=0.025, strength=4.5)


def ruling(day: date, said: Said, subject: str = "string:s1", given_at: int = 0) -> Ruling:
    return Ruling(
        site="larkrise", finding_id="a", day=day, said=said, note="", subject=subject, cause="underperforming_string",
        raised=day, renews=(subject,), given_at=given_at, nights_until=None,
    )  # fmt: skip


def history(levels: list[float], first: date) -> SiteHistory:
    known = SiteHistory()
    for n, level in enumerate(levels):
        known.add([DayNote(first + timedelta(n), "string:s1", 10.0, 9.0, 11.0, 1.0, {"peer_mid": level})])
    return known


def test_an_epoch_begins_the_day_after_the_verdict_and_a_confirmation_begins_none() -> None:
    given = [ruling(DAY, "repaired"), ruling(DAY + timedelta(9), "confirmed")]
    assert epochs_on(given, DAY) == {}
    (epoch,) = epochs_on(given, DAY + timedelta(1)).values()
    assert (epoch.first, epoch.number, epoch.accepted) == (DAY.toordinal() + 1, 1, False)
    later = [*given, ruling(DAY + timedelta(20), "not-a-fault")]
    assert epochs_on(later, DAY + timedelta(30))["string:s1"].number == 2
    assert epochs_on(later, DAY + timedelta(30))["string:s1"].accepted
    assert epochs_on(later, DAY + timedelta(15)) == epochs_on(given, DAY + timedelta(15))


@pytest.mark.parametrize(("further", "is_told"), [(0.0, False), (-0.15, True)])
def test_after_no_fault_only_a_further_drop_is_seen(site: Site, further: float, is_told: bool) -> None:
    """A drop of 15 % in the middle of a year is called no fault thirty days later; and 60 days on, more or nothing."""
    chance = np.random.default_rng(4)
    levels = [*np.zeros(100), *np.full(90, -0.15), *np.full(20, -0.15 + further)]
    noisy = (np.asarray(levels) + 0.01 * chance.standard_normal(len(levels))).tolist()
    known = history(noisy[:-1], DAY)
    last = DAY + timedelta(len(noisy) - 1)
    tonight = night(
        site, s1=WORKS, s2=WORKS, ac=AC, day=last, past=known, traits={"string:s1": {"peer_mid": noisy[-1]}}
    )
    assert look(tonight, "string:s1", TRAIT) is not None  # without a verdict the old drop would be told for ever
    known.epochs = epochs_on([ruling(DAY + timedelta(130), "not-a-fault")], last)
    seen = look(tonight, "string:s1", TRAIT)
    assert (seen is not None) == is_told
    if seen is not None:
        assert abs((seen.since - (DAY + timedelta(190))).days) <= 2
        assert seen.drop.size == pytest.approx(further, abs=0.02)


def test_gains_are_learned_anew_and_until_then_the_old_ones_serve_with_less_trust() -> None:
    known = SiteHistory()
    for n in range(80):
        ratio = 1.0 if n < 40 else 0.8
        known.add([DayNote(DAY + timedelta(n), "string:s1", 9.0, 8.0, 10.0, 1.0, {"learn": 1.0, "clear_sky": ratio})])
    old = Gains(1.0, 1.0, 1.0, 0.03, True)
    known.frozen["string:s1"] = (DAY + timedelta(30), old)
    assert known.gains("string:s1", DAY + timedelta(60)) == old
    known.epochs = epochs_on([ruling(DAY + timedelta(39), "repaired")], DAY + timedelta(44))
    soon = known.gains("string:s1", DAY + timedelta(44))
    assert (soon.clear_sky, soon.complete) == (1.0, False)
    assert soon.sigma > old.sigma
    later = known.gains("string:s1", DAY + timedelta(80))
    assert later.complete
    assert later.clear_sky == pytest.approx(0.8)
    assert not known.is_settled("string:s1")


def test_what_begins_anew_is_the_unit_and_what_hangs_below_it(site: Site) -> None:
    assert renewed(site, "inverter:inv1", "inverter_outage")[:3] == ("inverter:inv1", "string:s1", "string:s2")
    assert renewed(site, "source:log", "missing_data") == ()
    assert renewed(site, "source:log", "clock_error") == ("source:log",)


def said_after(cause: str, healthy: int) -> SiteHistory:
    known = SiteHistory()
    for n in range(1, 20):
        said = {f"says:{cause}": 0.0} if n <= healthy else {}
        known.add([DayNote(DAY + timedelta(n), "string:s1", 9.0, 8.0, 10.0, 1.0, said)])
    return known


@pytest.mark.parametrize(("healthy", "said"), [(0, "unclear"), (2, "unclear"), (3, "trouble")])
def test_a_dead_string_that_is_no_fault_is_told_again_only_after_it_worked(site: Site, healthy: int, said: str) -> None:
    given = replace(ruling(DAY, "not-a-fault"), cause="failed_string")
    tonight = night(site, s1=WORKS, s2=WORKS, ac=AC, day=DAY + timedelta(20), past=said_after("failed_string", healthy))
    told = [Verdict("string:s1", "failed_string", "trouble", 0.9), Verdict("string:s2", "failed_string", "trouble")]
    assert [v.says for v in silenced(tonight, told, [given], [])] == [said, "trouble"]
    assert [v.says for v in silenced(tonight, told, [replace(given, said="repaired")], [])] == ["trouble", "trouble"]


@pytest.mark.parametrize(("grown", "said"), [(1.0, "unclear"), (1.2, "unclear"), (1.4, "trouble")])
def test_shade_that_is_no_fault_is_told_again_when_it_has_grown(site: Site, grown: float, said: str) -> None:
    """The sun passes a branch in one season only: healthy nights in between do not make it another branch."""
    given = replace(ruling(DAY, "not-a-fault"), cause="shading_growth")
    closed = finding("a", "string:s1", "shading_growth", state="cleared", evidence={"lost_kwh_per_year": 50.0})
    tonight = night(site, s1=WORKS, s2=WORKS, ac=AC, day=DAY + timedelta(20), past=said_after("shading_growth", 19))
    told = Verdict("string:s1", "shading_growth", "trouble", 0.9, evidence={"lost_kwh_per_year": 50.0 * grown})
    assert [v.says for v in silenced(tonight, [told], [given], [closed])] == [said]
