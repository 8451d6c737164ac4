"""The pack's own two pictures: the waterfall, and the months beside what was expected and quoted."""

from __future__ import annotations

from collections.abc import Collection, Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
from matplotlib.figure import Figure
from matplotlib.patches import Patch

from monitor.report import style
from monitor.report.proof import sheet
from monitor.report.words import kwh

_BAR = 0.62
_ROW_INCHES, _HEAD_INCHES = 0.31, 0.75
_MONTHS_INCHES = (4.6, 2.9)
_ROOM = 0.16  # of the width, for numbers beside bars


@dataclass(frozen=True, slots=True, kw_only=True)
class WaterfallRow:
    """A row of the picture [kWh]: an end (`total`) or a step from `begin` to `end` with its range."""

    label: str
    begin: float
    end: float
    low: float
    high: float
    kind: str  # start, step, act (a loss that somebody should act on) or end


@dataclass(frozen=True, slots=True, kw_only=True)
class MonthBar:
    """A month [kWh]: NaN where there is none of it."""

    label: str
    measured: float
    expected: float
    low: float
    high: float
    quoted: float


def waterfall_figure(rows: Sequence[WaterfallRow], *, start_label: str) -> Figure:
    """Rows from top to bottom: where it starts in orange, where it ends in blue, steps between them.

    Losses to act on are vermillion and hatched one way, other steps grey; whiskers are 80 % ranges.
    """
    figure, axes = sheet.paper((4.6, _HEAD_INCHES + _ROW_INCHES * len(rows)))
    looks: dict[str, dict[str, Any]] = {
        "start": {"facecolor": style.EXPECTED, "edgecolor": style.EXPECTED_EDGE, "linewidth": 1.0},
        "end": {"facecolor": style.MEASURED, "edgecolor": style.MEASURED, "linewidth": 1.0},
        "act": {"facecolor": "white", "edgecolor": style.LOSS, "hatch": "/////", "linewidth": 1.2},
        "step": {"facecolor": style.UNCERTAINTY, "edgecolor": style.LIGHT["soft"], "linewidth": 0.8},
    }
    least, most = _window(rows)
    for y, row in enumerate(rows):
        left, right = min(row.begin, row.end), max(row.begin, row.end)
        left = max(left, least)
        axes.barh(y, right - left, left=left, height=_BAR, zorder=3, **looks[row.kind])
        if row.kind in ("step", "act") and row.high > row.low:
            axes.plot([row.begin + row.low, row.begin + row.high], [y, y], color=style.LIGHT["ink"], linewidth=1.2,
                      marker="|", markersize=6, zorder=5)  # fmt: skip
        if y + 1 < len(rows):
            axes.plot([row.end, row.end], [y, y + 1], color=style.LIGHT["soft"], linewidth=0.7, zorder=2)
        if least > 0.0 and row.kind in ("start", "end"):
            _break(axes, y, least, most)
        _number(axes, y, row)
    axes.set_yticks(range(len(rows)), [row.label for row in rows])
    for text, row in zip(axes.get_yticklabels(), rows, strict=True):
        text.set_fontweight("bold" if row.kind in ("start", "end") else "normal")
    axes.set_ylim(len(rows) - 0.4, -0.6)
    axes.set_xlim(least, most + _ROOM * (most - least))
    axes.locator_params(axis="x", nbins=4)
    axes.tick_params(axis="y", length=0)
    axes.set_xlabel("kWh" + (" (the axis does not begin at nothing)" if least > 0.0 else ""),
                    fontsize=style.FONT_POINTS - 1, color=style.LIGHT["soft"])  # fmt: skip
    _explain(figure, rows, start_label, looks)
    return figure


def _window(rows: Sequence[WaterfallRow]) -> tuple[float, float]:
    """The part of the axis that is shown: from nothing, unless all that happens lies far from it."""
    happens = [
        v for r in rows if r.kind in ("step", "act") for v in (r.begin + r.low, r.begin + r.high, r.begin, r.end)
    ]
    happens += [r.end for r in rows if r.kind in ("start", "end")]
    low, high = min(happens), max([*happens, 0.1])
    return (0.0 if low < 0.6 * high else max(0.0, low - 0.6 * (high - low)), high)


def _break(axes: Any, y: int, least: float, most: float) -> None:
    """Two strokes through a bar whose beginning is not shown."""
    room = most - least
    for at in (0.03, 0.045):
        axes.plot([least + at * room, least + (at + 0.02) * room], [y + 0.42, y - 0.42], color="white", linewidth=2.0,
                  zorder=6)  # fmt: skip


def _number(axes: Any, y: int, row: WaterfallRow) -> None:
    size = abs(row.end - row.begin)
    sign = "" if row.kind in ("start", "end") else ("+" if row.end >= row.begin else "−")
    right = max(row.begin, row.end, *((row.begin + row.high,) if row.kind in ("step", "act") else ()))
    axes.annotate(
        f"{sign}{kwh(size)}", (right, y), xytext=(5, 0), textcoords="offset points", va="center",
        fontsize=style.FONT_POINTS - 0.5, color=style.LIGHT["ink"], zorder=6,
        fontweight="bold" if row.kind in ("start", "end") else "normal",
    )  # fmt: skip


def _explain(figure: Figure, rows: Sequence[WaterfallRow], start_label: str, looks: dict[str, dict[str, Any]]) -> None:
    kinds: Collection[str] = {row.kind for row in rows}
    names = {"start": start_label, "act": "loss to act on", "step": "other steps", "end": "measured"}
    handles = [Patch(label=name, **looks[kind]) for kind, name in names.items() if kind in kinds]
    figure.legend(
        handles=handles, loc="outside upper left", ncols=4, fontsize=style.FONT_POINTS - 1.5, frameon=False,
        borderaxespad=0.1, columnspacing=0.9, handlelength=1.2, handletextpad=0.4, labelcolor=style.LIGHT["ink"],
    )  # fmt: skip


def months_figure(months: Sequence[MonthBar]) -> Figure:
    """Blue bars measured, orange expected in its grey range, a dotted line for what was quoted."""
    figure, axes = sheet.paper(_MONTHS_INCHES)
    x = np.arange(len(months), dtype=float)
    made, due, low, high, quoted = (
        np.array([getattr(m, name) for m in months]) for name in ("measured", "expected", "low", "high", "quoted")
    )
    known = np.isfinite(due)
    axes.bar(x[known], (high - low)[known], bottom=low[known], width=0.96, color=style.UNCERTAINTY, linewidth=0,
             label="likely range", zorder=1)  # fmt: skip
    axes.bar(x, np.nan_to_num(made), width=0.7, color=style.MEASURED, label="measured", zorder=2)
    for n, at in enumerate(x[known]):
        axes.plot([at - 0.48, at + 0.48], [due[known][n]] * 2, label="expected" if n == 0 else None, zorder=5,
                  solid_capstyle="butt", **sheet.EXPECTED_LOOK)  # fmt: skip
    for n, at in enumerate(x[np.isfinite(quoted)]):
        axes.plot([at - 0.48, at + 0.48], [quoted[np.isfinite(quoted)][n]] * 2, color=style.LIGHT["ink"], linewidth=1.6,
                  linestyle=(0, (1.5, 1)), label="quoted" if n == 0 else None, zorder=6)  # fmt: skip
    step = max(1, -(-len(months) // 7))
    axes.set_xticks(x[::step], [m.label for m in months][::step])
    axes.set_xlim(-0.6, len(months) - 0.4)
    top = np.nanmax(np.concatenate([made, due, high, quoted, [0.1]]))
    axes.set_ylim(0, float(top) * 1.05)
    sheet.unit_label(axes, "kWh a month")
    sheet.legend_above(figure, axes, columns=4)
    return figure
