"""From a filled store to the service team's morning: what is news, what is not, what stood then."""

from __future__ import annotations

from collections.abc import Callable, Iterator, Mapping, Sequence
from dataclasses import replace
from datetime import UTC, date, datetime, timedelta
from functools import partial
from pathlib import Path

import pytest
from sqlalchemy import Connection

from monitor.config.models import Fleet, FleetFile, Site
from monitor.detect.finding import Finding
from monitor.report import stories
from monitor.report.digest import ServiceDigest
from monitor.report.morning import Prove, first_untold_day, gather_service, prove_nothing
from monitor.report.proof.drawing import Proof
from monitor.report.proof.side_by_side import TellingDay
from monitor.report.ranking import NextYear
from monitor.report.service import MOST_PICTURES
from monitor.store import Store
from monitor.store.daily import DailyRow, write_daily
from monitor.store.findings import Loss, add_events, finding_event, save_findings, write_losses
from monitor.store.jobs import finish_run, start_run
from monitor.store.ledger import FileRecord, record_file
from monitor.store.outbox import Letter, queue

AS_OF = date(2026, 8, 31)  # a Monday; the digest before it was due that morning and told all up to Sunday
TOLD = AS_OF - timedelta(days=1)
NOW = datetime(2026, 9, 1, 5, 30, tzinfo=UTC)


@pytest.fixture
def store(tmp_path: Path) -> Iterator[Store]:
    opened = Store.open("sqlite:///test.db", tmp_path)
    yield opened
    opened.close()


@pytest.fixture
def make_fleet(make_site: Callable[..., Site], tmp_path: Path) -> Callable[..., Fleet]:
    def make(*ids: str) -> Fleet:
        settings = FleetFile.model_validate({"fleet": {"name": "Northmoor", "timezone": "Europe/London"}})
        return Fleet(tmp_path, settings, tuple(make_site(id=site, name=site.title()) for site in ids))

    return make


def no_value(site: Site, findings: Sequence[Finding]) -> Mapping[str, NextYear]:
    return {}


def morning(
    store: Store, fleet: Fleet, as_of: date = AS_OF, *, prove: Prove = prove_nothing, is_past: bool = False
) -> ServiceDigest:
    with store.read() as conn:
        return gather_service(conn, fleet, as_of=as_of, generated=NOW, value=no_value, prove=prove, is_past=is_past)


def keep(conn: Connection, *findings: Finding, night: date | None = None, what: str = "raised") -> None:
    """Findings as a night left them, by default the night that raised them."""
    save_findings(conn, findings)
    add_events(conn, [finding_event(f, night or f.raised, what) for f in findings])


def heard(conn: Connection, *sites: str, first: date = date(2026, 8, 1), last: date = AS_OF) -> None:
    days = [first + timedelta(days=n) for n in range((last - first).days + 1)]
    for site in sites:
        for subject in ("site", "string:s1"):
            write_daily(
                conn,
                [
                    DailyRow(site=site, subject=subject, day=d, measured_kwh=9.5, expected_kwh=10.0, usable=1.0)
                    for d in days
                ],
            )


def test_new_standing_cleared_quiet_and_silent(
    store: Store, make_fleet: Callable[..., Fleet], make_finding: Callable[..., Finding]
) -> None:
    with store.write() as conn:
        heard(conn, "elm", "oak", "ash", "fir")
        heard(conn, "yew", last=date(2026, 8, 20))
        keep(
            conn,
            make_finding(id="new", site="elm", raised=AS_OF),
            make_finding(id="old", site="elm", subject="inverter:inv1", cause="grid_voltage_trip", level="visit"),
            make_finding(id="note", site="ash", cause="clipping", level="note", summary="At its limit.", raised=AS_OF),
            make_finding(id="old note", site="oak", cause="clipping", level="note"),
        )
        over = make_finding(id="over", site="oak")
        keep(conn, over, replace(over, id="long over"))
        closed = partial(replace, state="cleared")
        keep(conn, closed(over, cleared=AS_OF), night=AS_OF, what="cleared")
        keep(conn, closed(replace(over, id="long over"), cleared=TOLD), night=TOLD, what="cleared")
    digest = morning(store, make_fleet("elm", "oak", "ash", "fir", "yew"))
    assert [(story.first.site, story.first.change) for story in digest.news] == [("Elm", "new")]
    assert [(story.first.subject, story.first.change) for story in digest.standing] == [("inverter inv1", "unchanged")]
    assert [story.first.site for story in digest.cleared] == ["Oak"]
    assert [card.summary for card in digest.notes] == ["At its limit."]  # an old note is not told every morning
    assert digest.quiet == ("Fir",)
    assert digest.without_data == ("Yew: last readings on 20 Aug 2026",)
    assert digest.edition.written.isoformat() == "2026-09-01T06:30:00+01:00"


def test_a_back_dated_morning_tells_findings_as_they_stood_that_night(
    store: Store, make_fleet: Callable[..., Fleet], make_finding: Callable[..., Finding]
) -> None:
    then = make_finding(site="elm", raised=date(2026, 8, 10), level="watch", lost_kwh=3.0)
    with store.write() as conn:
        heard(conn, "elm")
        keep(conn, then)
        keep(conn, replace(then, level="urgent", lost_kwh=50.0), night=date(2026, 8, 20), what="seen")
        keep(conn, replace(then, state="cleared", cleared=AS_OF), night=AS_OF, what="cleared")
    fleet = make_fleet("elm")
    (first,) = morning(store, fleet, as_of=date(2026, 8, 10)).news
    assert (first.first.level, first.first.lost, first.first.change) == ("watch", 3.0, "new")
    (between,) = morning(store, fleet, as_of=date(2026, 8, 19)).standing
    assert (between.first.level, between.first.lost) == ("watch", 3.0)
    (worse,) = morning(store, fleet, as_of=date(2026, 8, 20)).news
    assert (worse.first.change, worse.first.why) == ("worse", "It is worse: now Urgent, before Watch.")
    assert morning(store, fleet, as_of=date(2026, 8, 9)).tells_nothing
    assert [story.first.state for story in morning(store, fleet).cleared] == ["cleared"]


def test_a_loss_that_grew_is_news_on_one_morning(
    store: Store, make_fleet: Callable[..., Fleet], make_finding: Callable[..., Finding]
) -> None:
    since = date(2026, 8, 1)
    finding = make_finding(site="elm", since=since, raised=since, cause="underperforming_string", level="visit")
    days = [since + timedelta(days=n) for n in range(31)]
    with store.write() as conn:
        heard(conn, "elm")
        keep(conn, finding)
        write_losses(
            conn,
            [
                Loss(finding.id, day, kwh := 1.0 if day < date(2026, 8, 28) else 4.0, 0.9 * kwh, 1.1 * kwh, day)
                for day in days
            ],
        )
    mornings = (24, 25, 26, 27, 30, 31)  # nights that a digest of a workday follows
    told = [story.first.change for n in mornings for story in morning(store, make_fleet("elm"), date(2026, 8, n)).news]
    assert told == ["worse"]


def test_one_street_is_told_once_and_a_new_member_tells_it_anew(
    store: Store, make_fleet: Callable[..., Fleet], make_finding: Callable[..., Finding]
) -> None:
    trip = make_finding(subject="inverter:inv1", cause="grid_voltage_trip", level="visit", confidence=0.85)
    with store.write() as conn:
        heard(conn, "elm", "oak", "ash")
        keep(conn, replace(trip, id="a", site="elm"), replace(trip, id="b", site="oak"))
        keep(conn, replace(trip, id="c", site="ash", raised=AS_OF))
    digest = morning(store, make_fleet("elm", "oak", "ash"))
    (story,) = digest.news
    assert story.sites == ("Ash", "Elm", "Oak")
    assert [card.change for card in story.cards] == ["new", "unchanged", "unchanged"]
    assert "the street's grid" in story.common
    assert digest.standing == ()
    assert stories.service_headline(digest) == "1 new finding; 2 open as told before, on 3 sites."


def test_stories_of_a_site_follow_its_gravest(
    store: Store, make_fleet: Callable[..., Fleet], make_finding: Callable[..., Finding]
) -> None:
    new = partial(make_finding, raised=AS_OF)
    with store.write() as conn:
        heard(conn, "elm", "oak")
        keep(
            conn,
            new(id="1", site="elm"),
            new(id="2", site="oak", cause="inverter_outage", subject="inverter:inv1"),
            new(id="3", site="elm", cause="soiling", level="watch", subject="site"),
        )
    assert [s.first.site for s in morning(store, make_fleet("elm", "oak")).news] == ["Elm", "Elm", "Oak"]


def test_pictures_for_the_first_only(
    store: Store, make_fleet: Callable[..., Fleet], make_finding: Callable[..., Finding]
) -> None:
    ids = [f"site{n}" for n in range(MOST_PICTURES + 2)]
    asked: list[str] = []

    def prove(site: Site, finding: Finding) -> tuple[Proof, str] | None:
        asked.append(site.id)
        drawn = TellingDay(day=AS_OF, measure="A", hours=[0.0, 1.0], own_label="s1", own=[0.0, 1.0])
        return None if site.id == ids[1] else (drawn, "what it shows")

    with store.write() as conn:
        heard(conn, *ids)
        keep(conn, *(make_finding(id=s, site=s, raised=AS_OF, lost_kwh=100.0 - n) for n, s in enumerate(ids)))
    digest = morning(store, make_fleet(*ids), prove=prove)
    assert [story.proof is not None for story in digest.news] == [True, False, *[True] * (MOST_PICTURES - 1), False]
    assert asked == ids[:-1]  # none is looked for beyond the last that is drawn


def test_a_source_that_is_heard_breaks_the_silence(store: Store, make_fleet: Callable[..., Fleet]) -> None:
    with store.write() as conn:
        rows = [("elm", "site", None), ("elm", "source:log", 0.4), ("oak", "source:log", 0.0)]
        write_daily(
            conn,
            [DailyRow(site=site, subject=s, day=AS_OF, features={"heard": part}) for site, s, part in rows],
        )
    assert morning(store, make_fleet("elm", "oak")).without_data == ("Oak: none for 90 days or more",)


def test_silence_of_every_site_is_told_once_and_as_our_own(store: Store, make_fleet: Callable[..., Fleet]) -> None:
    with store.write() as conn:
        heard(conn, "elm", "oak", last=date(2026, 8, 20))
    assert morning(store, make_fleet("elm", "oak")).without_data == (
        "All 2 sites: last readings on 20 Aug 2026; look for the cause at our own end first",
    )


def test_a_silent_source_stands_in_the_list_and_is_no_card(
    store: Store, make_fleet: Callable[..., Fleet], make_finding: Callable[..., Finding]
) -> None:
    silent = make_finding(
        site="elm", subject="source:log", cause="missing_data", level="watch", since=date(2026, 8, 21), raised=AS_OF
    )
    with store.write() as conn:
        heard(conn, "elm", "oak")
        keep(conn, silent)
    digest = morning(store, make_fleet("elm", "oak"))
    assert (digest.news, digest.quiet) == ((), ("Oak",))
    assert digest.without_data == ("Elm, data source log: last readings on 20 Aug 2026",)


def test_files_set_aside_since_the_last_digest(store: Store, make_fleet: Callable[..., Fleet]) -> None:
    midnight = int(datetime(2026, 8, 30, 23, 0, tzinfo=UTC).timestamp())  # of the 31st in London

    def record(name: str, at: int, **more: object) -> FileRecord:
        given: dict[str, object] = {"site": "elm", "source": "log", "path": name, "sha256": name, "size": 1}
        return FileRecord(**given | {"taken_at": at, "config_hash": "c"} | more)  # type: ignore[arg-type]

    with store.write() as conn:
        heard(conn, "elm")
        record_file(conn, record("old.csv", midnight - 1, state="refused", reason="no header"))
        record_file(conn, record("bad.csv", midnight, state="refused", reason="no header"))
        record_file(conn, record("part.csv", midnight + 9, rejects=3))
        record_file(conn, record("good.csv", midnight + 9))
        record_file(conn, record("later.csv", midnight + 3 * 86400, rejects=3))
    assert "Elm: later.csv, 3 of its rows or cells set aside" in morning(store, make_fleet("elm")).set_aside
    assert morning(store, make_fleet("elm"), is_past=True).set_aside == (
        "Elm: part.csv, 3 of its rows or cells set aside",
        "Elm: bad.csv was not taken: no header",
    )


def test_a_home_left_out_for_its_settings_is_told(store: Store, make_fleet: Callable[..., Fleet]) -> None:
    fault = "sites/oak.toml: site.latitude = 152.0: expected at most 90"
    assert morning(store, replace(make_fleet("elm"), faults=(fault,))).set_aside == (fault,)


@pytest.mark.parametrize(
    ("as_of", "first"),
    [
        (date(2026, 8, 31), date(2026, 8, 31)),  # Monday, told on Tuesday: Monday's mail told all up to Sunday
        (date(2026, 8, 30), date(2026, 8, 28)),  # Sunday, told on Monday: Friday's mail told all up to Thursday
    ],
)
def test_what_the_mail_before_could_not_tell_is_new(
    store: Store, make_fleet: Callable[..., Fleet], as_of: date, first: date
) -> None:
    with store.read() as conn:
        assert first_untold_day(conn, make_fleet("elm"), as_of) == first


def test_after_a_standstill_of_ours_nothing_stays_untold(store: Store, make_fleet: Callable[..., Fleet]) -> None:
    fleet = make_fleet("elm")
    with store.write() as conn:
        run = start_run(conn, "service_digest", int(datetime(2026, 8, 24, 6, tzinfo=UTC).timestamp()))
        finish_run(conn, run, 0, True, "")
        assert first_untold_day(conn, fleet, AS_OF) == date(2026, 8, 24)
        letter = Letter(
            kind="service", about="fleet", period="2026-08-21", recipient="a@example.org", sender="b@example.org",
            message_id="<1@example.org>", message=b"",
        )  # fmt: skip
        queue(conn, [letter, replace(letter, period=AS_OF.isoformat())], 0)
        assert first_untold_day(conn, fleet, AS_OF) == date(2026, 8, 22)  # the mail knows best what was told
