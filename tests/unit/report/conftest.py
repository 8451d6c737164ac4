"""Digest data for the tests of the reports: small, invented, and with names that mean harm where a test wants it."""

from __future__ import annotations

import math
from collections.abc import Callable
from datetime import UTC, date, datetime, timedelta
from typing import Any

import numpy as np
import pytest

from monitor.config.models import Site
from monitor.detect.finding import Finding
from monitor.model.typical_year import TypicalYear, UsualSky
from monitor.report.digest import (
    DailyEnergy,
    Edition,
    FindingCard,
    FindingChart,
    HomeownerDigest,
    Matter,
    Month,
    ServiceDigest,
    Sibling,
    Story,
)
from monitor.report.proof.side_by_side import TellingDay
from monitor.report.steps import steps_of

WRITTEN = datetime(2026, 9, 1, 6, 0, tzinfo=UTC)
MODULE = {"pmp_w": 400, "vmp_v": 31, "imp_a": 12.9, "voc_v": 37.2, "isc_a": 13.7, "gamma_pmp_pct_per_c": -0.34}


@pytest.fixture(scope="session")
def make_site() -> Callable[..., Site]:
    """A site of one inverter with two alike strings and a shorter one on another plane."""

    def make(**settings: object) -> Site:
        string = {"inverter": "inv1", "plane": "south", "modules": 10, "module": MODULE}
        return Site.model_validate(
            {
                "site": {
                    "id": "larkrise", "name": "Larkrise Cottage", "latitude": 52.1, "longitude": -2.3,
                    "timezone": "Europe/London", "commissioned": date(2024, 5, 2),
                } | settings,
                "plane": [
                    {"id": "south", "tilt_deg": 35, "azimuth_deg": 180},
                    {"id": "west", "tilt_deg": 35, "azimuth_deg": 270},
                ],
                "inverter": [{"id": "inv1", "rated_ac_w": 3600}],
                "string": [
                    {"id": "s1"} | string,
                    {"id": "s2"} | string,
                    {"id": "s3"} | string | {"plane": "west", "modules": 5},
                ],
            }
        )  # fmt: skip

    return make


@pytest.fixture(scope="session")
def make_finding() -> Callable[..., Finding]:
    """A string that failed on 3 August 2026."""

    def make(**settings: Any) -> Finding:
        given: dict[str, Any] = {
            "id": "f1", "site": "larkrise", "subject": "string:s1", "cause": "failed_string", "level": "urgent",
            "state": "open", "since": date(2026, 8, 3), "raised": date(2026, 8, 4), "cleared": None,
            "last_seen": date(2026, 8, 31), "confidence": 0.99, "lost_kwh": 35.2, "lost_kwh_low": 31.0,
            "lost_kwh_high": 39.9, "lost_money": 9.86, "summary": "String s1 has made nothing.",
            "advice": {"service": "Look at its voltage.", "homeowner": "Nothing needs to be done by you."},
        }  # fmt: skip
        return Finding(**given | settings)

    return make


@pytest.fixture
def make_usual() -> Callable[..., TypicalYear]:
    """A typical year whose days make the same energy each [kWh]."""

    def make(day_kwh: float = 10.0, sigma: float = 0.03) -> TypicalYear:
        flat = np.full(365, day_kwh)
        return TypicalYear(UsualSky(0.6, sigma), flat, flat, np.ones((4, 365)))

    return make


@pytest.fixture
def make_daily() -> Callable[..., DailyEnergy]:
    """Days from a first one; expected 10 kWh between 9 and 11, measured as given."""

    def make(first: date, measured: list[float]) -> DailyEnergy:
        n = len(measured)
        return DailyEnergy(
            days=tuple(first + timedelta(days=i) for i in range(n)),
            measured=tuple(measured),
            expected=(10.0,) * n,
            low=(9.0,) * n,
            high=(11.0,) * n,
            whole=tuple(not math.isnan(energy) for energy in measured),
        )

    return make


@pytest.fixture
def make_card(make_daily: Callable[..., DailyEnergy]) -> Callable[..., FindingCard]:
    """A card of the failed string, with a picture."""

    def make(**settings: Any) -> FindingCard:
        daily = make_daily(date(2026, 7, 6), [10.0] * 28 + [0.0] * 29)
        chart = FindingChart(
            daily=daily,
            since=date(2026, 8, 3),
            until=date(2026, 8, 31),
            asks_for_action=True,
            sibling=Sibling(label="string s2, its sibling", measured=(9.5,) * 57),
        )
        given: dict[str, Any] = {
            "site": "Larkrise Cottage", "subject": "string s1 on inverter inv1", "cause": "String makes nothing",
            "level": "urgent", "state": "open", "is_new": True, "since": date(2026, 8, 3),
            "raised": date(2026, 8, 4), "cleared": None, "confidence": 0.99, "lost": 35.2, "lost_low": 31.0,
            "lost_high": 39.9, "lost_money": 9.86, "summary": "String s1 has made nothing.",
            "check_first": "Look at its voltage.", "share_before": 1.0, "share_since": 0.0, "chart": chart,
        }  # fmt: skip
        return FindingCard(**given | settings)

    return make


@pytest.fixture
def make_story(make_card: Callable[..., FindingCard]) -> Callable[..., Story]:
    """A story of one card, or of those given, with a picture of a telling day unless told otherwise."""

    def make(*cards: FindingCard, **settings: Any) -> Story:
        told = cards or (make_card(change="new"),)
        hours = [float(h) for h in range(24)]
        given: dict[str, Any] = {
            "cards": told,
            "steps": steps_of(told[0].check_first),
            "proof": TellingDay(
                day=date(2026, 8, 5), measure="A", hours=hours, own_label="string s1", own=[0.0] * 24,
                others=(("string s2", [max(0.0, 8.0 - abs(h - 12.0)) for h in hours]),),
            ),
            "proof_alt": "String s1 on 5 Aug 2026 beside string s2.",
        }  # fmt: skip
        return Story(**given | settings)

    return make


@pytest.fixture
def make_service() -> Callable[..., ServiceDigest]:
    """An empty morning, unless told otherwise."""

    def make(**settings: Any) -> ServiceDigest:
        given: dict[str, Any] = {
            "edition": Edition(kind="service", about="fleet", period="2026-08-31", written=WRITTEN),
            "fleet": "Northmoor Roof Energy", "as_of": date(2026, 8, 31), "since_last": date(2026, 8, 31),
            "currency": "GBP", "sites": 3, "news": (), "standing": (), "cleared": (), "notes": (),
            "quiet": ("Hazelmere", "Oakend"), "without_data": (), "set_aside": (),
        }  # fmt: skip
        return ServiceDigest(**given | settings)

    return make


@pytest.fixture
def make_homeowner(make_daily: Callable[..., DailyEnergy]) -> Callable[..., HomeownerDigest]:
    """A healthy August of 31 days, 10 kWh each."""

    def make(**settings: Any) -> HomeownerDigest:
        daily = make_daily(date(2026, 8, 1), [10.0] * 31)
        given: dict[str, Any] = {
            "edition": Edition(kind="homeowner", about="larkrise", period="2026-08", written=WRITTEN),
            "firm": "Northmoor Roof Energy", "site": "Larkrise Cottage", "first": date(2026, 8, 1), "daily": daily,
            "total": Month(
                measured=310.0, days_with_data=31, compared=310.0, expected=312.0, low=295.0, high=330.0,
                days_compared=31, is_rough=False,
            ),
            "last_heard": date(2026, 8, 31), "year": None, "health": "Your roof has been working as it should.",
            "matters": (Matter(text="From 3 to 5 August, readings were missing.", is_over=True),),
            "contact": "service@example.org",
        }  # fmt: skip
        return HomeownerDigest(**given | settings)

    return make
