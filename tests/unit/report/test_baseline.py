"""A site as installed: what is gathered, in which words it is told, and what other programs get."""

from __future__ import annotations

import json
from collections.abc import Callable
from dataclasses import replace
from datetime import date
from pathlib import Path

import numpy as np
import pytest

from monitor.config.models import Site
from monitor.model.degradation import YearlyChange
from monitor.model.gain import NAMEPLATE, Gains, learn_gains
from monitor.model.gain import DayRatio as Ratio
from monitor.model.installed import Installed, PlaneAsInstalled
from monitor.model.orientation import OrientationFit
from monitor.model.skycells import CELL_AZIMUTH, CELL_ELEVATION
from monitor.model.skymap import SkyMap, open_sky
from monitor.report import baseline_page
from monitor.report import baseline_words as words
from monitor.report.baseline import BaselineSheet, Learning, gather_baseline
from monitor.report.baseline_page import as_document, baseline_text, render_baseline, write_baseline_page

LATITUDE = 52.1
SETTLED: Gains = replace(learn_gains([Ratio(0.9, None, None)] * 60), clear_sky=0.9)
FIT = OrientationFit(33.0, 212.0, 2.0, 4.0, 0.95, 41, 900, 0.02, 130.0, 0.0, True, "")
DOUBT = "the site file says azimuth 180; the power of 41 clear days looks like 212 (±5): check the plan"
TURNED = PlaneAsInstalled("south", (35.0, 180.0), (33.2, 210.0), FIT, DOUBT, date(2026, 5, 30))
MakeSheet = Callable[..., BaselineSheet]


def walled(*walls: tuple[float, float, float], leafy: float = 0.0, bare: float = 0.0) -> SkyMap:
    """A sky all of which was seen, with walls (left, right, top) before it."""
    inside = np.zeros(CELL_AZIMUTH.size, dtype=bool)
    for left, right, top in walls:
        inside |= ((CELL_AZIMUTH - left) % 360.0 < (right - left) % 360.0) & (top > CELL_ELEVATION)
    days = np.full(CELL_AZIMUTH.size, 5)
    sky = replace(open_sky(LATITUDE), leafy_days=days, bare_days=days)
    return replace(sky, leafy=np.where(inside, leafy, 1.0), bare=np.where(inside, bare, 1.0))


@pytest.fixture
def make_sheet(make_site: Callable[..., Site]) -> MakeSheet:
    """A sheet of the site of two planes; `learning`, `planes`, `maps` and `gains` as given."""

    def make(
        *,
        site: Site | None = None,
        learning: dict[str, Learning] | None = None,
        nights: int = 61,
        changes: dict[str, YearlyChange] | None = None,
        **known: object,
    ) -> BaselineSheet:
        since = date(2026, 4, 1) if nights else None
        installed = Installed(learning_since=since, nights=nights, **known)  # type: ignore[arg-type]
        return gather_baseline(
            site or make_site(), installed, fleet="Northmoor Roof Energy",
            until=date(2026, 5, 31) if nights else None, learning=learning or {}, changes=changes or {},
        )  # fmt: skip

    return make


def test_a_wall_is_told_with_its_sides_height_months_and_cost(make_sheet: MakeSheet) -> None:
    (sky,) = make_sheet(maps={"string:s1": walled((205.0, 235.0, 20.0))}).skies
    (thing,) = sky.obstructions
    assert (thing.left_deg, thing.right_deg) == (205.0, 235.0)
    assert thing.low_deg <= thing.top_deg <= (thing.high_deg or 0.0)
    # At its right end, 235 degrees and 20 high, the declination is asin(sin 52.1 sin 20 + cos 52.1 cos 20 cos 235),
    # -3.5 degrees: the sun's on 12 March and on 2 October.
    assert thing.months == (1, 2, 3, 10, 11, 12)
    told = words.obstruction_words(thing)
    assert told.startswith("Something stands from azimuth 205 to 235 (south-west), up to 20 degrees high (")
    assert "; the sun passes behind it in October to March; hardly any of its beam gets through; " in told
    assert told.endswith(f"about {100 * sky.hidden:.0f}% of the sky's light is hidden.")
    assert 0.01 < sky.hidden < 0.05


def test_nothing_before_the_sky_is_said(make_sheet: MakeSheet) -> None:
    (sky,) = make_sheet(maps={"string:s1": walled()}).skies
    assert words.sky_words(sky) == [
        "Nothing is known to stand before its sky.",
        "The sun has been seen in 100% of the places where it comes by over the year.",
    ]
    assert "Nothing is known yet: that takes clear days." in baseline_text(make_sheet())


def test_each_thing_is_told_for_itself_and_costs_what_it_hides(make_sheet: MakeSheet) -> None:
    (sky,) = make_sheet(maps={"string:s1": walled((100.0, 120.0, 15.0), (205.0, 235.0, 20.0))}).skies
    assert [(t.left_deg, t.right_deg) for t in sky.obstructions] == [(100.0, 120.0), (205.0, 235.0)]
    assert sum(t.hidden for t in sky.obstructions) == pytest.approx(sky.hidden)
    assert words.sky_words(sky)[2].startswith("Together they hide about ")


def test_a_thing_across_the_north_is_one(make_sheet: MakeSheet) -> None:
    (sky,) = make_sheet(maps={"string:s1": walled((350.0, 15.0, 10.0))}).skies
    (thing,) = sky.obstructions
    assert (thing.left_deg, thing.right_deg) == (350.0, 15.0)
    assert "(north)" in words.obstruction_words(thing)
    assert "the sun hardly passes behind it" in words.obstruction_words(thing)


def test_a_top_above_which_nothing_was_seen_is_no_height(make_sheet: MakeSheet) -> None:
    sky = walled((205.0, 235.0, 20.0))
    seen = np.where(CELL_ELEVATION < 20.0, 5, 0)
    (told,) = make_sheet(maps={"string:s1": replace(sky, leafy_days=seen, bare_days=seen)}).skies
    (thing,) = told.obstructions
    assert thing.high_deg is None
    assert "at least 18 degrees high (what is above has not been seen yet)" in words.obstruction_words(thing)
    assert told.seen < 0.5


@pytest.mark.parametrize(
    ("leafy", "bare", "told"),
    [
        (0.2, 0.7, "about 20% of its beam gets through in leaf and 70% when bare"),
        (0.3, 0.3, "about 30% of its beam gets through"),
        (0.05, 0.05, "hardly any of its beam gets through"),
    ],
)
def test_leaves_are_told_where_they_matter(make_sheet: MakeSheet, leafy: float, bare: float, told: str) -> None:
    (sky,) = make_sheet(maps={"string:s1": walled((205.0, 235.0, 20.0), leafy=leafy, bare=bare)}).skies
    assert f"; {told}; " in words.obstruction_words(sky.obstructions[0])


def test_an_inverters_sky_is_that_of_all_its_planes(make_sheet: MakeSheet) -> None:
    wall = walled((205.0, 235.0, 20.0))
    first, last, inverter = make_sheet(maps=dict.fromkeys(("inverter:inv1", "string:s1", "string:s3"), wall)).skies
    assert (first.subject, last.subject, inverter.subject) == ("string:s1", "string:s3", "inverter:inv1")
    assert inverter.view.facing_deg == (180.0, 270.0)
    # Two strings of ten modules on the south plane, one of five on the west.
    assert inverter.hidden == pytest.approx((20 * first.hidden + 5 * last.hidden) / 25)


def test_a_module_has_the_sky_of_its_strings_plane(make_sheet: MakeSheet) -> None:
    (sky,) = make_sheet(maps={"module:s3/02": walled()}).skies
    assert sky.words == "module 02 of string s3"
    assert sky.view.facing_deg == (270.0,)


def test_the_hours_are_those_without_summer_time(make_sheet: MakeSheet, make_site: Callable[..., Site]) -> None:
    for zone, hours in (("Europe/London", 0.0), ("Australia/Adelaide", 9.5), ("Europe/Dublin", 0.0)):
        (sky,) = make_sheet(site=make_site(timezone=zone), maps={"string:s1": walled()}).skies
        assert sky.view.utc_offset_h == hours


@pytest.mark.parametrize(
    ("months", "told"),
    [
        ((1, 2, 11, 12), "in November to February"),
        ((6,), "in June"),
        ((5, 6), "in May and June"),
        ((3, 4, 9, 10), "in March and April, and September and October"),
        (tuple(range(1, 13)), "all year"),
        ((), ""),
    ],
)
def test_months_run_over_the_turn_of_the_year(months: tuple[int, ...], told: str) -> None:
    assert words.months_words(months) == told


def test_a_plane_is_told_as_stated_as_fitted_and_as_used(make_sheet: MakeSheet) -> None:
    south, west = make_sheet(planes={"south": TURNED}).planes
    assert words.plane_heading(south) == "Plane south (strings s1, s2)"
    assert words.orientation_words(south.stated) == "tilt 35, azimuth 180"
    # 80 % of a normal distribution lie within 1.28 sigma.
    assert words.fit_words(south.learned) == "tilt 33 (30 to 36), azimuth 212 (207 to 217), from 41 clear days"
    assert words.used_words(south) == "tilt 33, azimuth 210, by readings up to 30 May 2026"
    assert words.doubt_words(south) == f"T{DOUBT[1:]}."
    assert words.plane_heading(west) == "Plane west (string s3)"
    assert words.fit_words(west.learned) == "not known yet"
    assert words.used_words(west) == "tilt 35, azimuth 270, as on paper"
    assert words.doubt_words(west) == ""


def test_the_picture_faces_as_the_roof_does_and_not_as_on_paper(make_sheet: MakeSheet) -> None:
    sheet = make_sheet(planes={"south": TURNED}, maps={"string:s1": walled()})
    assert sheet.skies[0].view.facing_deg == (210.0,)


@pytest.mark.parametrize(
    ("fit", "told"),
    [
        (None, "cannot be told: no string or inverter is measured for this plane alone"),
        (replace(FIT, tilt_deg=3.0, azimuth_sigma=180.0), "tilt 3 (0 to 6), too level to tell an azimuth"),
        (replace(FIT, azimuth_deg=359.0), "azimuth 359 (354 to 4)"),
        (replace(FIT, trusted=False, why_not="it looks like two planes"), "; not relied on, because it looks like two"),
        (
            replace(FIT, tilt_deg=float("nan"), tilt_sigma=float("inf"), trusted=False, why_not="2 clear days"),
            "2 clear days",
        ),
    ],
)  # fmt: skip
def test_what_a_fit_does_not_tell_is_said(fit: OrientationFit | None, told: str) -> None:
    assert told in words.fit_words(replace(TURNED, fit=fit))


def test_a_settled_gain_is_told_with_its_range_and_its_day(make_sheet: MakeSheet) -> None:
    assert SETTLED.complete
    (unit,) = make_sheet(
        gains={"string:s1": replace(SETTLED, sigma=0.03)},
        learning={"string:s1": Learning(days=40, clear=9, frozen_on=date(2026, 5, 11))},
    ).units
    # 0.9 times e to the plus and minus 1.2816 x 0.03.
    assert words.gain_words(unit) == "90% (87% to 94%)"
    told = words.gain_words(replace(unit, gains=replace(unit.gains, weather=1.02)))
    assert told == "90% (87% to 94%), 102% beside weather data"
    assert words.state_words(unit) == "settled since 11 May 2026"


@pytest.mark.parametrize(
    ("learning", "told"),
    [
        (Learning(), ["no healthy day with readings yet"]),
        (Learning(days=31, clear=8), []),
        (Learning(days=31, clear=8, weather=14), ["14 of 15 days beside weather data"]),
        (Learning(days=31, clear=8, sensor=15, weather=15), []),
        (Learning(days=60, clear=3, sensor=2), ["2 of 15 days beside its sensor"]),
    ],
)
def test_what_is_missing_is_what_learning_waits_for(learning: Learning, told: list[str]) -> None:
    assert words.missing(learning) == told
    ratios = [
        Ratio(*(0.9 if i < n else None for n in (learning.clear, learning.sensor, learning.weather)))
        for i in range(learning.days)
    ]
    assert learn_gains(ratios).complete is not bool(told)


def test_a_young_site_says_learning_and_what_it_needs(make_sheet: MakeSheet) -> None:
    sheet = make_sheet(
        gains={"string:s1": SETTLED, "string:s2": replace(SETTLED, complete=False)},
        learning={"string:s2": Learning(days=12, clear=5)},
    )
    assert sheet.is_learning
    assert words.headline(sheet) == (
        "Learned since 1 Apr 2026, from 61 nights up to 31 May 2026. Learning: 1 of 2 units is not settled yet."
    )
    assert "learning: 5 of 8 clear days (where they are rare, 3 among 60 healthy" in " ".join(
        baseline_text(sheet).split()
    )


def test_a_site_of_which_nothing_is_known_says_so(make_sheet: MakeSheet) -> None:
    text = baseline_text(make_sheet(nights=0))
    assert "Nothing is learned yet: no night of this site has been assessed." in text
    assert "on paper: tilt 35, azimuth 180" in text
    assert "WHAT STANDS BEFORE THE SKY" not in text
    assert make_sheet(nights=0).is_learning


def test_the_document_holds_the_same(make_sheet: MakeSheet) -> None:
    sheet = make_sheet(
        planes={"south": TURNED}, maps={"string:s1": walled((205.0, 235.0, 20.0))},
        gains={"string:s1": replace(SETTLED, sigma=0.03)},
        learning={"string:s1": Learning(days=40, clear=9, frozen_on=date(2026, 5, 11))},
    )  # fmt: skip
    document = json.loads(json.dumps(as_document(sheet), allow_nan=False))
    assert list(document) == [
        "schema", "site", "learning", "learned_since", "nights", "assessed_until", "planes", "units", "skies",
        "remarks",
    ]  # fmt: skip
    assert (document["schema"], document["site"], document["learning"]) == (1, "larkrise", False)
    south, west = document["planes"]
    assert south["stated"] == {"tilt_deg": 35.0, "azimuth_deg": 180.0}
    assert south["fit"]["azimuth_low_deg"] == pytest.approx(212.0 - 1.2816 * 4.0)
    assert (south["doubt"], west["fit"], west["doubt"]) == (DOUBT, None, None)
    assert document["units"][0]["settled_on"] == "2026-05-11"
    assert document["units"][0]["missing"] == []
    (thing,) = document["skies"][0]["obstructions"]
    assert (thing["azimuth_from_deg"], thing["azimuth_to_deg"], thing["months"]) == (
        205.0,
        235.0,
        [1, 2, 3, 10, 11, 12],
    )


def test_the_document_holds_no_endless_number(make_sheet: MakeSheet) -> None:
    nan, far = float("nan"), float("inf")
    nothing = OrientationFit(nan, nan, far, 180.0, nan, 2, 0, nan, 0.0, 0.0, False, "2 clear days do not tell")
    document = as_document(make_sheet(planes={"south": replace(TURNED, fit=nothing)}, gains={"string:s1": NAMEPLATE}))
    fit = json.loads(json.dumps(document, allow_nan=False))["planes"][0]["fit"]
    assert {fit[k] for k in ("tilt_deg", "tilt_low_deg", "tilt_high_deg", "azimuth_deg", "azimuth_low_deg")} == {None}


def test_a_page_draws_the_skies_and_describes_them(make_sheet: MakeSheet, tmp_path: Path) -> None:
    sheet = make_sheet(maps={"string:s1": walled(), "string:s2": walled((205.0, 235.0, 20.0))})
    page = render_baseline(sheet)
    assert [p.alt.partition(". ")[0] for p in page.pictures] == [
        "The sun's paths over string s2 on inverter inv1",
        "The sun's paths over string s1 on inverter inv1",
    ]
    assert "Something stands from azimuth 205 to 235" in page.pictures[0].alt
    path = write_baseline_page(sheet, tmp_path / "new")
    assert path.name == "baseline-larkrise.html"
    html = path.read_text("utf-8")
    assert html.count('src="data:image/png;base64,') == 2
    assert "cid:" not in html
    assert "prefers-color-scheme: dark" in html


def test_a_page_stays_light_whatever_the_number_of_skies(
    make_sheet: MakeSheet, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(baseline_page, "PICTURES", 2)
    page = render_baseline(make_sheet(maps={f"module:s1/{n:02d}": walled() for n in range(1, 6)}))
    assert len(page.pictures) == 2
    assert "3 skies are told without a picture." in page.html
    assert "without a picture" not in page.text


def test_names_mean_no_harm(make_sheet: MakeSheet, make_site: Callable[..., Site]) -> None:
    name = '<script>alert(1)</script>" onload="x {{ 7 * 7 }}'
    hostile = replace(TURNED, doubt="<img src=x onerror=alert(2)>")
    sheet = make_sheet(site=make_site(name=name), planes={"south": hostile}, maps={"string:s1": walled()})
    html = render_baseline(replace(sheet, fleet="</title><b>")).html
    assert "<script" not in html
    assert "<img src=x" not in html
    assert "</title><b>" not in html
    assert "{{ 7 * 7 }}" in html
    assert all(line == line.rstrip("\r") for line in baseline_text(replace(sheet, name="a\rb\x1b[2J")).splitlines())
    assert "\x1b" not in baseline_text(replace(sheet, name="a\rb\x1b[2J"))


def test_text_fits_a_terminal(make_sheet: MakeSheet) -> None:
    sheet = make_sheet(
        planes={"south": TURNED}, maps={"string:s1": walled((205.0, 235.0, 20.0))}, gains={"string:s1": SETTLED}
    )
    lines = baseline_text(sheet).splitlines()
    assert max(map(len, lines)) <= 76
    assert [line for line in lines if line.isupper()] == [
        "HOW THE PLANES LIE", "THE LEVEL OF EACH UNIT", "WHAT STANDS BEFORE THE SKY",
    ]  # fmt: skip


def test_the_yearly_change_is_told_once_it_is_known(make_sheet: MakeSheet) -> None:
    change = YearlyChange(-0.0071, -0.0124, -0.0018, 310, 4.08)
    sheet = make_sheet(gains={"string:s1": SETTLED, "string:s2": SETTLED}, changes={"string:s1": change})
    first, second = as_document(sheet)["units"]
    assert first["degradation"] == {
        "change_per_year": -0.0071, "low": -0.0124, "high": -0.0018, "pairs_of_days": 310, "years": 4.08,
    }  # fmt: skip
    assert second["degradation"] is None
    text = " ".join(baseline_text(sheet).split())
    assert text.count("its level has changed by -0.7% a year (-1.2% to -0.2%, 95%), over 4.1 years") == 1
    assert "-0.7% a year" in render_baseline(sheet).html
