"""From a filled store to digest data."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from datetime import UTC, date, datetime, timedelta
from pathlib import Path

import pytest

from monitor.config.models import Fleet, FleetFile, Site
from monitor.detect.finding import Finding
from monitor.model.typical_year import TypicalYear
from monitor.report.gather import gather_homeowner
from monitor.store import Store
from monitor.store.daily import DailyRow, write_daily
from monitor.store.findings import save_findings

AS_OF = date(2026, 8, 31)  # a Monday
NOW = datetime(2026, 9, 1, 5, 30, tzinfo=UTC)


@pytest.fixture
def store(tmp_path: Path) -> Iterator[Store]:
    opened = Store.open("sqlite:///test.db", tmp_path)
    yield opened
    opened.close()


@pytest.fixture
def make_fleet(make_site: Callable[..., Site], tmp_path: Path) -> Callable[..., Fleet]:
    def make(*ids: str, **mail: object) -> Fleet:
        given: dict[str, object] = {"fleet": {"name": "Northmoor", "timezone": "Europe/London", "currency": "GBP"}}
        settings = FleetFile.model_validate(given | mail)
        return Fleet(tmp_path, settings, tuple(make_site(id=site, name=site.title()) for site in ids))

    return make


def rows(site: str, subject: str, first: date, last: date, measured: float | None, **more: object) -> list[DailyRow]:
    given = {"expected_kwh": 10.0, "expected_low_kwh": 9.0, "expected_high_kwh": 11.0, "usable": 1.0} | more
    days = [first + timedelta(days=n) for n in range((last - first).days + 1)]
    return [
        DailyRow(site=site, subject=subject, day=d, measured_kwh=measured, irradiation_source="weather", **given)  # type: ignore[arg-type]
        for d in days
    ]


def test_homeowner_month_and_year(
    store: Store,
    make_fleet: Callable[..., Fleet],
    make_site: Callable[..., Site],
    make_finding: Callable[..., Finding],
    make_usual: Callable[..., TypicalYear],
) -> None:
    mail = {"mail": {"host": "h", "sender": "Northmoor <mail@example.org>", "service_team": ["service@example.org"]}}
    fleet, site = make_fleet(**mail), make_site(id="elm", quoted_kwh_per_year=3500)
    with store.write() as conn:
        write_daily(conn, rows("elm", "site", date(2025, 9, 1), AS_OF, 10.0))
        write_daily(conn, rows("elm", "site", date(2026, 8, 7), date(2026, 8, 7), 3.0, usable=0.4))
        write_daily(conn, rows("oak", "site", date(2026, 8, 1), AS_OF, 77.0))
        save_findings(conn, [make_finding(site="elm"), make_finding(id="f2", site="oak")])
    with store.read() as conn:
        digest = gather_homeowner(conn, fleet, site, month=(2026, 8), generated=NOW, usual=make_usual())
    assert digest.total is not None
    assert (digest.total.measured, digest.total.days_compared, digest.total.compared) == (303.0, 30, 300.0)
    assert digest.year is not None
    assert (digest.year.days, digest.year.measured) == (364, 3640.0)  # the seventh was heard in part only
    assert digest.year.quoted == pytest.approx(3500 * 364 / 365)
    assert digest.sunniness is None  # nothing of a year before, and a usual month
    assert [m.text for m in digest.matters] == ["Nothing needs to be done by you."]
    assert digest.contact == "service@example.org"
    assert digest.edition.name == "home-elm-2026-08"


def test_homeowner_month_without_readings(
    store: Store, make_fleet: Callable[..., Fleet], make_site: Callable[..., Site]
) -> None:
    with store.write() as conn:
        write_daily(conn, rows("elm", "site", date(2026, 7, 1), date(2026, 7, 28), 10.0))
    with store.read() as conn:
        digest = gather_homeowner(conn, make_fleet(), make_site(id="elm"), month=(2026, 8), generated=NOW)
    assert (digest.total, digest.year, digest.last_heard) == (None, None, date(2026, 7, 28))
    assert digest.contact is None


def test_a_roof_in_its_first_weeks_is_measured_from_its_first_day(
    store: Store, make_fleet: Callable[..., Fleet], make_site: Callable[..., Site]
) -> None:
    begun = date(2026, 8, 12)
    site = make_site(id="elm", commissioned=begun)
    with store.write() as conn:
        write_daily(conn, rows("elm", "site", begun, AS_OF, 10.0))
    with store.read() as conn:
        august, later = (
            gather_homeowner(conn, make_fleet(), site, month=(2026, month), generated=NOW) for month in (8, 10)
        )
    assert (august.begun, august.daily.days[0], len(august.daily.days)) == (begun, begun, 20)
    assert august.total is not None
    assert august.total.days_with_data == 20
    assert later.begun is None
