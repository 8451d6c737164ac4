"""From a filled store to digest data."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from dataclasses import replace
from datetime import UTC, date, datetime, timedelta
from pathlib import Path

import pytest

from monitor.config.models import Fleet, FleetFile, Site
from monitor.detect.finding import Finding
from monitor.report.gather import first_untold_day, gather_homeowner, gather_service
from monitor.report.service import CHARTS
from monitor.store import Store
from monitor.store.daily import DailyRow, write_daily
from monitor.store.findings import save_findings
from monitor.store.ledger import FileRecord, record_file

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


def test_new_open_cleared_quiet_and_silent(
    store: Store, make_fleet: Callable[..., Fleet], make_finding: Callable[..., Finding]
) -> None:
    fleet = make_fleet("elm", "oak", "ash", "yew")
    with store.write() as conn:
        for site in ("elm", "oak", "ash"):
            write_daily(conn, rows(site, "site", date(2026, 8, 1), AS_OF, 9.5))
        write_daily(conn, rows("yew", "site", date(2026, 8, 1), date(2026, 8, 20), 9.5))
        write_daily(conn, rows("elm", "string:s1", date(2026, 8, 1), AS_OF, 0.0))
        save_findings(
            conn,
            [
                make_finding(id="new", site="elm", raised=AS_OF),
                make_finding(id="old", site="elm", subject="inverter:inv1", level="visit"),
                make_finding(id="note", site="ash", cause="clipping", level="note"),
                make_finding(id="over", site="oak", state="cleared", cleared=AS_OF),
                make_finding(id="long over", site="oak", state="cleared", cleared=AS_OF - timedelta(days=1)),
                make_finding(id="gone", site="sold"),
            ],
        )
    with store.read() as conn:
        digest = gather_service(conn, fleet, as_of=AS_OF, generated=NOW, values={})
    assert [(c.site, c.subject, c.is_new) for c in digest.open] == [
        ("Elm", "string s1 on inverter inv1", True),
        ("Elm", "inverter inv1", False),
    ]
    assert [c.site for c in digest.cleared] == ["Oak"]
    assert [c.cause for c in digest.notes] == ["Inverter at its rating on bright days"]
    assert digest.quiet == ("Ash",)
    assert digest.without_data == ("Yew: last readings on 20 Aug 2026",)
    assert digest.open[0].chart is not None
    assert digest.open[0].chart.daily.days[0] == date(2026, 6, 29)
    assert digest.edition.written.isoformat() == "2026-09-01T06:30:00+01:00"


def test_a_source_that_is_heard_breaks_the_silence(store: Store, make_fleet: Callable[..., Fleet]) -> None:
    with store.write() as conn:
        write_daily(conn, rows("elm", "site", AS_OF, AS_OF, None))
        write_daily(conn, rows("elm", "source:log", AS_OF, AS_OF, None, features={"heard": 0.4}))
        write_daily(conn, rows("oak", "source:log", AS_OF, AS_OF, None, features={"heard": 0.0}))
    with store.read() as conn:
        digest = gather_service(conn, make_fleet("elm", "oak"), as_of=AS_OF, generated=NOW, values={})
    assert digest.without_data == ("Oak: none for 90 days or more",)


def test_pictures_for_the_first_only(
    store: Store, make_fleet: Callable[..., Fleet], make_finding: Callable[..., Finding]
) -> None:
    ids = [f"site{n}" for n in range(CHARTS + 2)]
    with store.write() as conn:
        for n, site in enumerate(ids):
            write_daily(conn, rows(site, "string:s1", date(2026, 8, 1), AS_OF, 0.0))
            save_findings(conn, [make_finding(id=site, site=site, lost_kwh=100.0 - n)])
    with store.read() as conn:
        digest = gather_service(conn, make_fleet(*ids), as_of=AS_OF, generated=NOW, values={})
    assert [card.chart is not None for card in digest.open] == [True] * CHARTS + [False] * 2
    assert digest.more_charts


def test_files_set_aside_since_the_last_digest(store: Store, make_fleet: Callable[..., Fleet]) -> None:
    midnight = int(datetime(2026, 8, 30, 23, 0, tzinfo=UTC).timestamp())  # of the 31st in London

    def record(name: str, at: int, **more: object) -> FileRecord:
        given: dict[str, object] = {"site": "elm", "source": "log", "path": name, "sha256": name, "size": 1}
        return FileRecord(**given | {"taken_at": at, "config_hash": "c"} | more)  # type: ignore[arg-type]

    with store.write() as conn:
        record_file(conn, record("old.csv", midnight - 1, state="refused", reason="no header"))
        record_file(conn, record("bad.csv", midnight, state="refused", reason="no header"))
        record_file(conn, record("part.csv", midnight + 9, rejects=3))
        record_file(conn, record("good.csv", midnight + 9))
    with store.read() as conn:
        digest = gather_service(conn, make_fleet("elm"), as_of=AS_OF, generated=NOW, values={})
    assert digest.set_aside == (
        "Elm: part.csv, 3 of its rows or cells set aside",
        "Elm: bad.csv was not taken: no header",
    )


def test_a_home_left_out_for_its_settings_is_told(store: Store, make_fleet: Callable[..., Fleet]) -> None:
    fault = "sites/oak.toml: site.latitude = 152.0: expected at most 90"
    fleet = replace(make_fleet("elm"), faults=(fault,))
    with store.read() as conn:
        assert gather_service(conn, fleet, as_of=AS_OF, generated=NOW, values={}).set_aside == (fault,)


@pytest.mark.parametrize(
    ("as_of", "first"),
    [
        (date(2026, 8, 31), date(2026, 8, 31)),  # Monday, told on Tuesday: Monday's mail told all up to Sunday
        (date(2026, 8, 30), date(2026, 8, 28)),  # Sunday, told on Monday: Friday's mail told all up to Thursday
    ],
)
def test_what_the_mail_before_could_not_tell_is_new(make_fleet: Callable[..., Fleet], as_of: date, first: date) -> None:
    assert first_untold_day(make_fleet("elm"), as_of) == first


def test_homeowner_month_and_year(
    store: Store, make_fleet: Callable[..., Fleet], make_site: Callable[..., Site], make_finding: Callable[..., Finding]
) -> None:
    mail = {"mail": {"host": "h", "sender": "Northmoor <mail@example.org>", "service_team": ["service@example.org"]}}
    fleet, site = make_fleet(**mail), make_site(id="elm", quoted_kwh_per_year=3500)
    with store.write() as conn:
        write_daily(conn, rows("elm", "site", date(2025, 9, 1), AS_OF, 10.0))
        write_daily(conn, rows("elm", "site", date(2026, 8, 7), date(2026, 8, 7), 3.0, usable=0.4))
        write_daily(conn, rows("oak", "site", date(2026, 8, 1), AS_OF, 77.0))
        save_findings(conn, [make_finding(site="elm"), make_finding(id="f2", site="oak")])
    with store.read() as conn:
        digest = gather_homeowner(conn, fleet, site, month=(2026, 8), generated=NOW)
    assert digest.total is not None
    assert (digest.total.measured, digest.total.days_compared, digest.total.compared) == (303.0, 30, 300.0)
    assert digest.year is not None
    assert (digest.year.measured, digest.year.days_missing) == (3643.0, 0)
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
