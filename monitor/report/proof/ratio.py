"""A unit day by day beside what it should do, in its likely range, and the day since when it is lower."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import date

import numpy as np
from matplotlib.figure import Figure
from matplotlib.ticker import PercentFormatter

from ingest.readings import Values
from monitor.report import style
from monitor.report.proof import sheet

_LEAST_TOP, _MOST_TOP = 1.15, 1.6
_NEAR_NOTHING = 0.5
_SINGLE_DAYS = 0.04  # of all
_LEVEL_DAYS = 5
_ROUGH = 40  # days drawn as large dots; more are drawn smaller


@dataclass(frozen=True, slots=True, kw_only=True)
class DailyRatio:
    """Ratios of days in a row (NaN: none), with the range that measurement and weather leave to a healthy unit.

    `of` is the subject, `held_against` what a whole is (what was expected, or its usual level beside somebody).
    """

    of: str
    days: Sequence[date]
    ratio: Sequence[float]
    low: Sequence[float]
    high: Sequence[float]
    since: date
    until: date
    held_against: str
    asks_for_action: bool


def ratio_figure(data: DailyRatio) -> Figure:
    """Dots by day in a grey band, the level before and since as lines, hatched between where somebody should act."""
    figure, axes = sheet.paper()
    x = np.arange(len(data.days), dtype=float)
    ratio, low, high = (np.asarray(v, dtype=float) for v in (data.ratio, data.low, data.high))
    known = np.isfinite(low) & np.isfinite(high)
    axes.fill_between(
        x, low, high, where=known, step="mid", color=style.UNCERTAINTY, linewidth=0, label="likely range", zorder=1
    )
    axes.axhline(1.0, color=style.EXPECTED_EDGE, linewidth=0.9, zorder=2)
    bottom, top = _window(ratio)
    size = 12 if len(data.days) <= _ROUGH else 6
    below = np.isfinite(ratio) & (ratio < bottom)
    axes.scatter(x[~below], ratio[~below], s=size, color=style.MEASURED, linewidths=0, label="each day", zorder=4)
    if below.any():
        axes.scatter(
            x[below], np.full(x[below].shape, bottom), s=18, marker="v", color=style.MEASURED, linewidths=0,
            label="below", zorder=4, clip_on=False,
        )  # fmt: skip
    after = np.array([data.since <= day <= data.until for day in data.days])
    before = np.array([day < data.since for day in data.days])
    levels = _level(axes, x, ratio, before, "before"), _level(axes, x, ratio, after, "since")
    if levels[0] is not None and levels[1] is not None and levels[1] < levels[0]:
        colour = style.LOSS if data.asks_for_action else style.QUIET_LOSS
        axes.fill_between(
            x[after], levels[1], levels[0], facecolor="none", edgecolor=colour, hatch="////", linewidth=0.0,
            label="lost", zorder=3,
        )  # fmt: skip
    if data.since in data.days:
        sheet.mark_since(axes, list(data.days).index(data.since) - 0.5, data.since)
    axes.set_ylim(bottom, top)
    axes.set_xlim(-0.7, len(data.days) - 0.3)
    axes.yaxis.set_major_formatter(PercentFormatter(1.0, decimals=0))
    sheet.day_ticks(axes, data.days)
    sheet.unit_label(axes, f"of {data.held_against}")
    sheet.legend_above(figure, axes)
    return figure


def _window(ratio: Values) -> tuple[float, float]:
    """Bottom and top of the picture: from nothing where more than single days lie near it."""
    known = ratio[np.isfinite(ratio)]
    if not known.size:
        return 0.0, _LEAST_TOP
    low = float(np.quantile(known, _SINGLE_DAYS))
    bottom = 0.0 if low < _NEAR_NOTHING else max(float(np.floor(10.0 * low - 1.0)) / 10.0, 0.0)
    return bottom, min(max(float(known.max()) * 1.08, _LEAST_TOP), _MOST_TOP)


def _level(axes: object, x: Values, ratio: Values, where: Values, label: str) -> float | None:
    """A line at the middle of some days; None where they are few."""
    chosen = ratio[where]
    chosen = chosen[np.isfinite(chosen)]
    if chosen.size < _LEVEL_DAYS:
        return None
    level = float(np.median(chosen))
    ends = x[where][[0, -1]]
    dashes = "-" if label == "since" else (0, (4, 1.5))
    axes.plot(ends, [level, level], color=style.MEASURED, linewidth=2.2, linestyle=dashes, label=label, zorder=5)  # type: ignore[attr-defined]
    return level
