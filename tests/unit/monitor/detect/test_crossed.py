"""Strings that read each other's power, and strings that only look so."""

from __future__ import annotations

from dataclasses import replace
from datetime import timedelta

import numpy as np
import pytest

from ingest.readings import Values
from monitor.config.models import Site
from monitor.detect.crossed import observe_crossed
from monitor.detect.data_fault import DataFault
from monitor.detect.mirrored import mirrored
from monitor.detect.night import SiteNight, Verdict
from monitor.model.history import DayNote, SiteHistory
from tests.unit.monitor.detect.limited import JUNE, POWER, clear_day, home, night_of

TRAIT = "crossed:s2"


def unlike(*, planes: tuple[str, str] = ("south", "south"), modules: tuple[int, int] = (10, 8)) -> Site:
    """A home with strings of other length, or on planes to the east and to the west."""
    site = home()
    strings = [
        s.model_dump() | {"plane": p, "modules": n} for s, p, n in zip(site.string, planes, modules, strict=True)
    ]
    lying = [{"id": "south", "tilt_deg": 35, "azimuth_deg": 180}, {"id": "east", "tilt_deg": 35, "azimuth_deg": 90},
             {"id": "west", "tilt_deg": 35, "azimuth_deg": 270}]  # fmt: skip
    return Site.model_validate(site.model_dump() | {"string": strings, "plane": lying})


EAST_WEST = unlike(planes=("east", "west"), modules=(10, 10))
LONG_SHORT = unlike()


def crossed(site: Site, *, exchange: bool, s1: float = 1.0) -> float | None:
    """The trait of a clear day, with the strings exchanged, or the first one weaker."""
    columns = clear_day(site)
    if exchange:
        columns[POWER["s1"]], columns[POWER["s2"]] = columns[POWER["s2"]], columns[POWER["s1"]]
    columns[POWER["s1"]] = s1 * columns[POWER["s1"]]
    return observe_crossed(night_of(site, columns)).get("string:s1", {}).get(TRAIT)


@pytest.mark.parametrize("site", [EAST_WEST, LONG_SHORT])
def test_exchanged_strings_stand_at_one_and_others_at_minus_one(site: Site) -> None:
    assert crossed(site, exchange=True) == pytest.approx(1.0, abs=0.05)
    assert crossed(site, exchange=False) == pytest.approx(-1.0, abs=0.05)


def test_a_weak_string_on_another_plane_is_not_taken_for_its_like() -> None:
    weak = crossed(EAST_WEST, exchange=False, s1=0.6)
    assert weak is not None
    assert weak < -0.4


def test_like_strings_are_not_asked() -> None:
    assert crossed(home(), exchange=True) is None


def night_after(site: Site, values: Values, more: dict[str, dict[str, Values]] | None = None) -> SiteNight:
    """A night with the last value of each series, after a past with the others."""
    series = {"string:s1": {TRAIT: values}, **(more or {})}
    past = SiteHistory()
    for n in range(values.size - 1):
        day = JUNE - timedelta(days=values.size - 1 - n)
        notes = ({k: float(v[n]) for k, v in traits.items()} for traits in series.values())
        past.add(
            DayNote(day, subject, 20.0, 18.0, 22.0, 1.0, kept) for subject, kept in zip(series, notes, strict=True)
        )
    tonight = {subject: {k: float(v[-1]) for k, v in traits.items()} for subject, traits in series.items()}
    return replace(night_of(site, clear_day(site), past=past), past=past, traits=tonight)


def said(night: SiteNight) -> Verdict:
    return next(v for v in DataFault().find(night) if v.subject == "source:log")


def step(before: float, after: float, days: int = 8, sigma: float = 0.01) -> Values:
    values = np.random.default_rng(3).normal(0.0, sigma, 40 + days)
    return np.asarray(values + np.where(np.arange(values.size) < 40, before, after))


def test_columns_exchanged_on_a_day_are_told_with_that_day() -> None:
    verdict = said(night_after(EAST_WEST, step(-1.0, 1.0)))
    assert (verdict.says, verdict.since) == ("trouble", JUNE - timedelta(days=7))
    assert verdict.evidence["strings"] == ["s1", "s2"]
    assert not verdict.evidence["standing"]


def test_columns_exchanged_from_the_first_day_are_told_after_weeks() -> None:
    assert said(night_after(EAST_WEST, np.full(12, 1.0))).says != "trouble"
    verdict = said(night_after(EAST_WEST, np.full(25, 1.0)))
    assert (verdict.says, verdict.evidence["standing"]) == ("trouble", True)


def test_on_one_plane_the_shorter_string_has_to_have_risen() -> None:
    rise = float(np.log(10 / 8))
    rose = {"string:s2": {"volt_off": step(0.0, rise)}}
    stayed = {"string:s2": {"volt_off": step(0.0, 0.0)}}
    assert said(night_after(LONG_SHORT, step(-1.0, 1.0), rose)).says == "trouble"
    assert said(night_after(LONG_SHORT, step(-1.0, 1.0), stayed)).says != "trouble"
    assert said(night_after(LONG_SHORT, step(-1.0, 1.0))).says != "trouble"  # nobody knows


def two(power: Values, volts: Values) -> SiteNight:
    return night_after(home(), power, {"string:s2": {"peer_mid": power, "volt": volts}})


def test_a_lead_that_becomes_the_same_lag_may_be_two_columns_that_changed_places() -> None:
    since = JUNE.toordinal() - 7
    turned, still = step(0.015, -0.015, sigma=0.001), step(0.001, 0.001, sigma=0.0005)
    assert mirrored(two(turned, still), "string:s2", since)
    assert not mirrored(two(step(0.0, -0.03, sigma=0.001), still), "string:s2", since)
    assert not mirrored(two(turned, step(0.0, -0.03, sigma=0.001)), "string:s2", since)  # its voltage has dropped
