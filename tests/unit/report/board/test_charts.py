"""Bars as high as their numbers, a hatch only where somebody should act, and sums over days that can be compared."""

from __future__ import annotations

import math
import re
from datetime import date, timedelta
from xml.etree import ElementTree

import pytest
from hypothesis import given
from hypothesis import strategies as st

from monitor.report import style
from monitor.report.board.charts import chart_svg, tick_step
from monitor.report.board.energies import MONTHS_SHOWN, daily_bars, first_month, monthly_bars
from monitor.report.board.sheet import Bars
from monitor.report.energies import DayFigures

NAN = math.nan
SVG = "{http://www.w3.org/2000/svg}"
UNTIL = date(2026, 8, 31)


def bars(measured: tuple[float, ...], lost: tuple[float, ...] | None = None) -> Bars:
    n = len(measured)
    return Bars("kWh a day", ((0, "1 Aug"),), measured, (10.0,) * n, (9.0,) * n, (11.0,) * n, lost or (0.0,) * n)


def heights(svg: str, fill: str) -> list[float]:
    """Heights of the boxes of the path with this fill, in the picture's own unit."""
    root = ElementTree.fromstring(svg)
    path = next(p.get("d") for p in root.iter(f"{SVG}path") if p.get("fill") == fill)
    assert path is not None
    return [float(base) - float(top) for base, top in re.findall(r"M[\d.]+ ([\d.]+)V([\d.]+)", path)]


def test_bars_are_as_high_as_their_energies() -> None:
    found = heights(chart_svg(bars((10.0, 5.0, 2.5)), "t"), style.MEASURED)
    assert found[1:] == pytest.approx([found[0] / 2, found[0] / 4], abs=0.15)


def test_a_loss_fills_what_is_missing_and_no_more() -> None:
    svg = chart_svg(bars((8.0, 8.0, 12.0), (1.0, 50.0, 1.0)), "t")
    (whole, *_), lost = heights(svg, style.MEASURED), heights(svg, "url(#loss)")
    assert lost == pytest.approx([whole / 8.0, whole / 8.0 * 2.0], abs=0.15)


def test_the_colour_of_loss_is_kept_for_what_acts() -> None:
    assert "lost" not in chart_svg(bars((8.0, 8.0)), "t")
    assert "lost: act on it" in chart_svg(bars((8.0, 8.0), (1.0, 0.0)), "t")


def test_days_without_a_reading_are_marked_and_not_zero() -> None:
    svg = chart_svg(bars((8.0, NAN, 8.0)), "t")
    assert len(heights(svg, style.MEASURED)) == 2
    assert "no reading" in svg
    assert "no reading" not in chart_svg(bars((8.0, 8.0)), "t")


def test_the_title_is_text() -> None:
    title = ElementTree.fromstring(chart_svg(bars((8.0,)), "<script>alert(1)</script>")).find(f"{SVG}title")
    assert title is not None
    assert title.text == "<script>alert(1)</script>"


@given(st.floats(0.1, 1e6))
def test_an_axis_has_a_few_round_labels(highest: float) -> None:
    step = tick_step(highest)
    assert 1 <= highest / step <= 4.0001
    assert step / 10 ** math.floor(math.log10(step) + 1e-9) == pytest.approx(
        round(step / 10 ** math.floor(math.log10(step) + 1e-9))
    )


def day(measured: float | None, *, whole: bool = True) -> DayFigures:
    return DayFigures(measured=measured, expected=10.0, low=9.0, high=11.0, source="weather", whole=whole)


def test_months_compare_whole_days_alone() -> None:
    figures = {UNTIL - timedelta(days=n): day(9.0) for n in range(40)}
    figures[UNTIL] = day(1.0, whole=False)
    found = monthly_bars(figures, {UNTIL: 5.0, UNTIL - timedelta(days=1): 2.0}, UNTIL)
    assert found is not None
    assert len(found.measured) == MONTHS_SHOWN
    assert (found.measured[-1], found.expected[-1], found.lost[-1]) == (9.0 * 30, 10.0 * 30, 2.0)
    assert math.isnan(found.measured[0])


@pytest.mark.parametrize(
    ("until", "first"),
    [
        (UNTIL, date(2025, 8, 1)),
        (date(2026, 1, 5), date(2025, 1, 1)),
        (date(2025, 12, 31), date(2024, 12, 1)),
    ],
)
def test_a_year_and_the_running_month_are_shown(until: date, first: date) -> None:
    assert first_month(until) == first


def test_nothing_is_drawn_of_nothing() -> None:
    assert daily_bars({}, {}, UNTIL) is None
    assert monthly_bars({UNTIL: day(None)}, {}, UNTIL) is None
