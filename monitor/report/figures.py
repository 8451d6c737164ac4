"""Pictures of daily energy: measured bars beside an expected line in its band. No pyplot, no global style."""

from __future__ import annotations

import io
import math
from collections.abc import Sequence
from datetime import date
from typing import Any

import numpy as np
from matplotlib.backends.backend_agg import FigureCanvasAgg
from matplotlib.collections import LineCollection, PolyCollection
from matplotlib.figure import Figure
from matplotlib.patheffects import Normal, Stroke
from matplotlib.ticker import MaxNLocator
from PIL import Image

from ingest.readings import Values
from monitor.report import style
from monitor.report.digest import DailyEnergy, FindingChart
from monitor.report.words import MONTHS

_BAR = 0.78  # of a day
_LEGEND_COLUMNS = 3
_LEGEND_ROW = 0.07  # of the height


def finding_figure(chart: FindingChart) -> Figure:
    """Measured beside expected around the day a trouble began; what is missing since then is hatched."""
    figure, axes = _paper()
    _energies(axes, chart.daily, measured="measured", expected="expected")
    _hatch_loss(axes, chart)
    if chart.sibling is not None:
        axes.plot(
            range(len(chart.daily.days)), chart.sibling.measured,
            color=style.LIGHT["ink"], linewidth=0.9, linestyle=(0, (2, 1)), label=chart.sibling.label, zorder=6,
        )  # fmt: skip
    if chart.since in chart.daily.days:
        at = chart.daily.days.index(chart.since) - 0.5
        axes.axvline(at, color=style.LIGHT["ink"], linewidth=1.1, linestyle="--", zorder=6)
        axes.text(
            at + 0.4, 0.985, f"since {_short(chart.since)}", transform=axes.get_xaxis_transform(),
            fontsize=style.FONT_POINTS, va="top", color=style.LIGHT["ink"], zorder=7,
            bbox={"facecolor": "white", "edgecolor": "none", "pad": 1.0, "alpha": 0.85},
        )  # fmt: skip
    _finish(figure, axes, chart.daily)
    return figure


def month_figure(daily: DailyEnergy, *, is_rough: bool) -> Figure:
    """A month of a roof beside what the weather allowed, for the people who live under it."""
    figure, axes = _paper(style.MONTH_INCHES)
    allowed = "a rough guess of the weather" if is_rough else "the weather allowed"
    _energies(axes, daily, measured="your roof made", expected=allowed)
    _finish(figure, axes, daily)
    return figure


def png(figure: Figure) -> bytes:
    """The figure as a small PNG: a palette is enough for flat colours, and mail has to be light."""
    canvas: Any = FigureCanvasAgg(figure)
    canvas.draw()
    pixels = np.asarray(canvas.buffer_rgba())[:, :, :3]
    image = Image.fromarray(np.ascontiguousarray(pixels)).quantize(32, method=Image.Quantize.FASTOCTREE)
    out = io.BytesIO()
    image.save(out, "png")  # optimising saves a tenth of the bytes and costs a fifth of the time
    return out.getvalue()


def full_png(figure: Figure) -> bytes:
    """The figure as a PNG with all its colours, for pages that are printed."""
    out = io.BytesIO()
    figure.savefig(out, format="png", dpi=figure.dpi)
    return out.getvalue()


def _paper(inches: tuple[float, float] = style.FIGURE_INCHES) -> tuple[Figure, Any]:
    figure = Figure(figsize=inches, dpi=style.FIGURE_DPI, facecolor="white")
    axes = figure.add_axes((0.41 / inches[0], 0.115, 1.0 - 0.46 / inches[0], 0.635))
    axes.spines[["top", "right"]].set_visible(False)
    axes.spines[["left", "bottom"]].set_color(style.LIGHT["soft"])
    return figure, axes


def _energies(axes: Any, daily: DailyEnergy, *, measured: str, expected: str) -> None:
    x = np.arange(len(daily.days), dtype=float)
    made, due = np.array(daily.measured), np.array(daily.expected)
    _columns(axes, x, np.zeros(x.size), made, facecolor=style.MEASURED, label=measured, zorder=2)
    if np.isfinite(due).any():
        ends = np.stack([np.stack([x - 0.5, due], 1), np.stack([x + 0.5, due], 1)], 1)[np.isfinite(due)]
        edge = [Stroke(linewidth=3.2, foreground=style.EXPECTED_EDGE), Normal()]
        axes.add_collection(
            LineCollection(ends, colors=style.EXPECTED, linewidths=1.9, label=expected, zorder=5, path_effects=edge)
        )
        low, high = np.array(daily.low), np.array(daily.high)
        _columns(
            axes, x, low, high, width=1.0, facecolor=style.UNCERTAINTY, label="likely range", zorder=1
        )  # fmt: skip
    gaps = x[~np.isfinite(made)]
    if gaps.size:
        axes.plot(
            gaps, np.zeros(gaps.size), linestyle="none", marker="x", markersize=3.5, color=style.LIGHT["soft"],
            label="no reading", zorder=7, clip_on=False,
        )  # fmt: skip


def _hatch_loss(axes: Any, chart: FindingChart) -> None:
    daily = chart.daily
    made, due = np.array(daily.measured), np.array(daily.expected)
    during = np.array([chart.since <= day <= chart.until for day in daily.days])
    lost = during & (due > made)
    if lost.any():
        colour = style.LOSS if chart.asks_for_action else style.QUIET_LOSS
        _columns(
            axes, np.flatnonzero(lost).astype(float), made[lost], due[lost],
            facecolor="none", edgecolor=colour, linewidth=0.6, hatch="////", label="lost", zorder=4,
        )  # fmt: skip


def _columns(axes: Any, x: Values, bottom: Values, top: Values, *, width: float = _BAR, **look: Any) -> None:
    """Bars as one artist: a month of single bars costs ten times as much."""
    left, right = x - width / 2, x + width / 2
    corners = np.stack([np.stack(c, 1) for c in ((left, bottom), (left, top), (right, top), (right, bottom))], 1)
    whole: Any = corners[np.isfinite(corners).all((1, 2))]
    axes.add_collection(PolyCollection(whole, **look))


def _finish(figure: Figure, axes: Any, daily: DailyEnergy) -> None:
    top = max((v for row in (daily.measured, daily.expected, daily.high) for v in row if math.isfinite(v)), default=1.0)
    axes.set_ylim(0, max(top, 0.1) * 1.12)
    axes.set_xlim(-0.7, len(daily.days) - 0.3)
    at = _ticks(daily.days)
    axes.set_xticks(at, [_short(daily.days[i]) for i in at])
    axes.tick_params(labelsize=style.FONT_POINTS, colors=style.LIGHT["ink"], length=3, pad=2)
    axes.yaxis.set_major_locator(MaxNLocator(nbins=4, steps=[1, 2, 5, 10]))
    # Not an axes title: placing one lays out all the other text a second time.
    axes.annotate(
        "kWh a day", (0, 1), xycoords="axes fraction", xytext=(0, 4), textcoords="offset points",
        fontsize=style.FONT_POINTS, color=style.LIGHT["soft"], annotation_clip=False,
    )  # fmt: skip
    handles, labels = axes.get_legend_handles_labels()
    if len(handles) <= _LEGEND_COLUMNS:
        left, bottom, width, height = axes.get_position().bounds
        axes.set_position((left, bottom, width, height + _LEGEND_ROW))
    figure.legend(
        handles, labels, loc="upper left", ncols=_LEGEND_COLUMNS, fontsize=style.FONT_POINTS - 1, frameon=False,
        borderaxespad=0.1, columnspacing=1.0, handlelength=1.4, handletextpad=0.5, labelcolor=style.LIGHT["ink"],
    )  # fmt: skip


def _ticks(days: Sequence[date]) -> list[int]:
    """Every seventh day, or fewer so that about six labels stand side by side."""
    step = 7 * max(1, round(len(days) / 35))
    return list(range(0, len(days), step))


def _short(day: date) -> str:
    return f"{day.day} {MONTHS[day.month - 1][:3]}"
