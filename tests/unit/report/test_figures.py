"""Pictures: what is drawn, in which colour, and how heavy."""

from __future__ import annotations

import io
from collections.abc import Callable
from dataclasses import replace
from datetime import date

import numpy as np
import pytest
from matplotlib.collections import PolyCollection
from matplotlib.colors import to_hex
from matplotlib.figure import Figure
from PIL import Image

from monitor.report import style
from monitor.report.digest import DailyEnergy, FindingCard
from monitor.report.figures import finding_figure, month_figure, png


def labels(figure: Figure) -> list[str]:
    return [text.get_text() for text in figure.legends[0].get_texts()]


def hatched(figure: Figure) -> list[PolyCollection]:
    return [c for c in figure.axes[0].collections if isinstance(c, PolyCollection) and c.get_hatch()]


@pytest.mark.parametrize(("acts", "colour"), [(True, style.LOSS), (False, style.QUIET_LOSS)])
def test_vermillion_only_for_what_somebody_should_act_on(
    make_card: Callable[..., FindingCard], acts: bool, colour: str
) -> None:
    chart = make_card().chart
    assert chart is not None
    (loss,) = hatched(finding_figure(replace(chart, asks_for_action=acts)))
    assert to_hex(np.asarray(loss.get_edgecolor())[0]).upper() == colour
    assert len(loss.get_paths()) == 29  # one a day since the third of August


def test_finding_picture_names_all_that_it_draws(make_card: Callable[..., FindingCard]) -> None:
    chart = make_card().chart
    assert chart is not None
    figure = finding_figure(chart)
    assert set(labels(figure)) == {"measured", "expected", "likely range", "lost", "string s2, its sibling"}
    assert [text.get_text() for text in figure.axes[0].texts] == ["since 3 Aug", "kWh a day"]


def test_days_without_readings_are_marked_and_not_drawn_as_zero(make_daily: Callable[..., DailyEnergy]) -> None:
    figure = month_figure(make_daily(date(2026, 8, 1), [10.0, float("nan"), 9.0]), is_rough=False)
    assert "no reading" in labels(figure)
    bars = next(c for c in figure.axes[0].collections if c.get_label() == "your roof made")
    assert len(bars.get_paths()) == 2


def test_a_rough_month_is_called_one(make_daily: Callable[..., DailyEnergy]) -> None:
    figure = month_figure(make_daily(date(2026, 8, 1), [10.0] * 31), is_rough=True)
    assert "a rough guess of the weather" in labels(figure)


def test_a_picture_is_light_and_opaque(make_card: Callable[..., FindingCard]) -> None:
    chart = make_card().chart
    assert chart is not None
    data = png(finding_figure(chart))
    image = Image.open(io.BytesIO(data))
    assert image.mode == "P"
    assert "transparency" not in image.info
    assert len(data) <= 26_000
    assert png(finding_figure(chart)) == data


def test_colours_come_out_as_they_were_meant(make_card: Callable[..., FindingCard]) -> None:
    chart = make_card().chart
    assert chart is not None
    image = Image.open(io.BytesIO(png(finding_figure(chart)))).convert("RGB")
    drawn = [tuple(int(c[i : i + 2], 16) for i in (1, 3, 5)) for c in (style.MEASURED, style.UNCERTAINTY)]
    seen = {tuple(colour) for colour in np.asarray(image).reshape(-1, 3)}
    for colour in drawn:
        assert min(max(abs(int(a) - b) for a, b in zip(one, colour, strict=True)) for one in seen) <= 3
