"""A pack gathered from rows of a store: it adds up, and is honest about days and parts that are not there."""

from __future__ import annotations

import random
from collections.abc import Iterator
from datetime import date, timedelta
from pathlib import Path
from typing import Any

import pytest

from ingest.errors import ConfigurationError
from monitor.config.models import Fleet, FleetFile, Site
from monitor.looking_back.complaint import gather_pack
from monitor.report.callback.document import as_document, tables
from monitor.report.callback.layout import laid_out
from monitor.report.callback.pack import Pack
from monitor.store import Store
from monitor.store.assessed import set_assessed
from monitor.store.daily import DailyRow, write_daily
from monitor.store.findings import Loss, save_findings, write_losses
from tests.unit.monitor.conftest import made_site
from tests.unit.monitor.report.test_waterfall import finding

BEGIN, END = date(2025, 9, 1), date(2026, 3, 31)  # both changes of the clock lie between
SETTINGS = FleetFile.model_validate({"fleet": {"name": "Testing Roofs", "timezone": "Europe/London"}})


@pytest.fixture
def store(tmp_path: Path) -> Iterator[Store]:
    opened = Store.open("sqlite:///store.db", tmp_path)
    yield opened
    opened.close()


def fill(store: Store, site: Site, seed: int, *, gap: int = 0, strings: bool = True) -> None:
    """Half a year of days with a weak string since New Year; `gap` days in November were never assessed."""
    rng = random.Random(seed)
    rows: list[DailyRow] = []
    losses: list[Loss] = []
    for n in range((END - BEGIN).days + 1):
        day = BEGIN + timedelta(days=n)
        if 60 <= n < 60 + gap:
            continue
        expected = rng.uniform(0.5, 40.0)
        lost = 0.2 * expected if day >= date(2026, 1, 1) else 0.0
        made = (expected - lost) * rng.uniform(0.9, 1.1)
        given = {"site": site.id, "day": day, "expected_low_kwh": 0.9 * expected, "expected_high_kwh": 1.1 * expected,
                 "irradiation_source": "neighbours", "usable": 1.0}  # fmt: skip
        rows.append(
            DailyRow(subject="site", measured_kwh=made, expected_kwh=expected, features={"index": 0.5}, **given)
        )
        rows.append(DailyRow(subject="inverter:inv1", measured_kwh=made, expected_kwh=expected, **given))
        if strings:
            rows += [
                DailyRow(subject=f"string:{s}", measured_kwh=0.5 * made, expected_kwh=0.5 * expected, **given)
                for s in ("s1", "s2")
            ]
        rows.append(DailyRow(site=site.id, day=day, subject="meter:gen1", measured_kwh=0.98 * made, usable=1.0))
        rows.append(DailyRow(site=site.id, day=day, subject="source:meter", usable=1.0, features={"heard": 1.0}))
        if lost:
            losses.append(Loss("weak", day, lost / 2, 0.4 * lost, 0.7 * lost, day))
    weak = finding("weak", "underperforming_string", since=date(2026, 1, 1), raised=date(2026, 1, 20), last_seen=END,
                   evidence={"loss_fraction": 0.2}, summary="String s1 makes 20% less.", lost_kwh=200.0)  # fmt: skip
    with store.write() as conn:
        write_daily(conn, rows)
        save_findings(conn, [weak])
        write_losses(conn, losses)
        set_assessed(conn, site.id, END)


def gathered(store: Store, site: Site, first: date = BEGIN, last: date = END) -> Pack:
    with store.read() as conn:
        return gather_pack(conn, Fleet(Path(), SETTINGS, (site,)), site, first, last)


def quoted_site(**changes: Any) -> Site:
    site = made_site().site.model_copy(update={"quoted_kwh_per_year": 7000.0})
    return made_site(site=site.model_dump(mode="json") | changes)


@pytest.mark.parametrize("seed", range(5))
@pytest.mark.parametrize("gap", [0, 20])
@pytest.mark.parametrize("quoted", [True, False])
def test_it_adds_up_whatever_the_rows_hold(store: Store, seed: int, gap: int, quoted: bool) -> None:
    site = quoted_site() if quoted else made_site()
    fill(store, site, seed, gap=gap, strings=seed % 2 == 0)
    pack = gathered(store, site)
    document = as_document(pack)
    fall = document["waterfall"]
    assert fall["start"]["wh"] + sum(step["wh"] for step in fall["steps"]) == fall["end"]["wh"]
    assert fall["start"]["key"] == ("quoted" if quoted else "weather_allowed")
    assert pack.days == pack.days_asked - gap
    (meter,) = pack.meters
    assert meter.meter_kwh / meter.inverter_kwh == pytest.approx(0.98)
    assert fall["end"]["wh"] == pytest.approx(0.98 * fall["by_inverters"], rel=1e-3)
    steps = {step["key"]: step for step in fall["steps"]}
    assert steps["underperforming_string"]["findings"] == ["weak"]
    assert steps["underperforming_string"]["wh"] < 0
    assert sum(m["measured_kwh"] for m in document["months"]) == pytest.approx(fall["by_inverters"] / 1000)
    blocks = laid_out(pack)
    said = [block for block in blocks if getattr(block, "text", "").endswith("for the other days only.")]
    assert len(said) == (1 if gap and quoted else 0)


def test_the_quote_is_split_by_the_typical_year(store: Store) -> None:
    site = quoted_site()
    fill(store, site, 1)
    months = {m.first.month: m.quoted or 0.0 for m in gathered(store, site).months}
    assert months[9] > months[10] > months[11] > months[12]
    assert months[3] > months[2] > months[1]
    half = sum(months.values())
    assert 0.25 * 7000 < half < 0.42 * 7000  # the darker half of a year


def test_months_in_which_the_clock_changes_are_whole(store: Store) -> None:
    site = quoted_site()
    fill(store, site, 2)
    by_month = {m.first.month: m.days for m in gathered(store, site).months}
    assert (by_month[10], by_month[3]) == (31, 31)


def test_the_tables_hold_the_same_figures(store: Store) -> None:
    site = quoted_site()
    fill(store, site, 3)
    pack = gathered(store, site)
    lines = tables(pack)["waterfall"].splitlines()
    whole = [int(line.split(",")[2]) for line in lines[1:]]
    assert sum(whole[:-1]) == whole[-1] == pack.waterfall.end
    assert tables(pack)["days"].count("\n") == 1 + 5 * pack.days
    assert "weak,string:s1,underperforming_string" in tables(pack)["findings"]


def test_text_that_looks_like_a_formula_is_disarmed(store: Store) -> None:
    site = quoted_site()
    fill(store, site, 3)
    evil = finding("evil", "soiling", since=BEGIN, last_seen=END, summary='=HYPERLINK("http://example.org")')
    with store.write() as conn:
        save_findings(conn, [evil])
    assert "'=HYPERLINK" in tables(gathered(store, site))["findings"]


def test_a_period_that_is_not_there_is_told(store: Store) -> None:
    site = made_site()
    with pytest.raises(ConfigurationError, match="no night is assessed yet; run aftercare assess first"):
        gathered(store, site)
    fill(store, site, 1)
    with pytest.raises(ConfigurationError, match=r"--until 2024-06-30: elmcote was commissioned on 2025-01-01"):
        gathered(store, site, date(2024, 6, 1), date(2024, 6, 30))
    with pytest.raises(ConfigurationError, match=r"no figures of elmcote .* assessed from 2025-09-01 to 2026-03-31"):
        gathered(store, site, date(2026, 6, 1), date(2026, 6, 30))


def test_days_before_commissioning_and_after_the_last_night_do_not_count(store: Store) -> None:
    site = quoted_site(commissioned="2025-09-11")
    fill(store, site, 1)
    pack = gathered(store, site, date(2025, 9, 1), date(2026, 4, 10))
    assert (pack.days_asked, pack.days) == (222, 202)
    texts = [getattr(block, "text", "") for block in laid_out(pack)]
    assert any(
        text.startswith("20 days do not count: 10 days lie before commissioning, 10 days are not assessed yet.")
        for text in texts
    )


def test_a_meter_counts_only_on_days_on_which_it_was_heard(store: Store) -> None:
    site = made_site()
    fill(store, site, 1)
    silent = [BEGIN + timedelta(days=n) for n in range(0, 200, 2)]
    with store.write() as conn:
        write_daily(conn, [DailyRow(site=site.id, day=d, subject="source:meter", usable=0.5) for d in silent])
        write_daily(conn, [DailyRow(site=site.id, day=d, subject="meter:gen1", measured_kwh=0.1) for d in silent])
    pack = gathered(store, site)
    (meter,) = pack.meters
    assert meter.days == pack.days - len(silent)
    assert meter.meter_kwh / meter.inverter_kwh == pytest.approx(0.98)
    step = next(step for step in pack.waterfall.steps if step.key == "meter")
    assert step.wh == pytest.approx(1000 * (meter.meter_kwh - meter.inverter_kwh), abs=1)
    assert pack.waterfall.end == pack.waterfall.by_inverter + step.wh


def test_an_inverter_that_only_its_meter_tells_of_has_no_difference(store: Store) -> None:
    sources = [source.model_dump(mode="json") for source in made_site().source[1:]]
    site = made_site(source=sources)
    fill(store, site, 1, strings=False)
    pack = gathered(store, site)
    assert pack.meters[0].is_only_witness
    assert "meter" not in {step.key for step in pack.waterfall.steps}
    assert pack.waterfall.end == pack.waterfall.by_inverter


def test_what_was_wrong_is_said_of_each_part(store: Store) -> None:
    site = quoted_site()
    fill(store, site, 1)
    says = as_document(gathered(store, site))["says"]
    assert [point["of"] for point in says["strings"]] == ["String s1 on inverter inv1", "String s2 on inverter inv1"]
    assert says["modules"][0]["says"].startswith("are not measured one by one here")
    assert "98.0%, over 212 whole days." in says["meter"][0]["says"]
