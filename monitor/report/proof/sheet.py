"""What proof pictures have in common: the paper, axes, dates, and the legend above."""

from __future__ import annotations

from collections.abc import Sequence
from datetime import date
from typing import Any

from matplotlib.figure import Figure
from matplotlib.patheffects import Normal, Stroke

from monitor.report import style
from monitor.report.words import MONTHS

INCHES = (4.6, 2.7)
EXPECTED_LOOK: dict[str, Any] = {
    "color": style.EXPECTED,
    "linewidth": 1.9,
    "path_effects": [Stroke(linewidth=3.2, foreground=style.EXPECTED_EDGE), Normal()],
}
_LEGEND_COLUMNS = 3


def paper(inches: tuple[float, float] = INCHES) -> tuple[Figure, Any]:
    """A white figure and its axes."""
    figure = Figure(figsize=inches, dpi=style.PROOF_DPI, facecolor="white", layout="constrained")
    axes = figure.subplots()
    dress(axes)
    return figure, axes


def dress(axes: Any) -> None:
    """Axes in the house's look."""
    axes.spines[["top", "right"]].set_visible(False)
    axes.spines[["left", "bottom"]].set_color(style.LIGHT["soft"])
    axes.tick_params(labelsize=style.FONT_POINTS, colors=style.LIGHT["ink"], length=3, pad=2)


def unit_label(axes: Any, text: str) -> None:
    """What the axis counts, above it."""
    axes.annotate(
        text, (0, 1), xycoords="axes fraction", xytext=(0, 4), textcoords="offset points",
        fontsize=style.FONT_POINTS, color=style.LIGHT["soft"], annotation_clip=False,
    )  # fmt: skip


def legend_above(figure: Figure, axes: Any, *, columns: int = _LEGEND_COLUMNS) -> None:
    """The legend over the picture, outside of the axes."""
    handles, labels = axes.get_legend_handles_labels()
    if not handles:
        return
    figure.legend(
        handles, labels, loc="outside upper left", ncols=columns, fontsize=style.FONT_POINTS - 1, frameon=False,
        borderaxespad=0.1, columnspacing=1.0, handlelength=1.6, handletextpad=0.5, labelcolor=style.LIGHT["ink"],
    )  # fmt: skip


def mark_since(axes: Any, x: float, day: date) -> None:
    """A dashed line where a trouble began."""
    axes.axvline(x, color=style.LIGHT["ink"], linewidth=1.1, linestyle="--", zorder=6)
    axes.text(
        x, 0.985, f" since {short(day)}", transform=axes.get_xaxis_transform(), fontsize=style.FONT_POINTS, va="top",
        color=style.LIGHT["ink"], zorder=7, bbox={"facecolor": "white", "edgecolor": "none", "pad": 1.0, "alpha": 0.85},
    )  # fmt: skip


def day_ticks(axes: Any, days: Sequence[date]) -> None:
    """About five dates under days that count 0, 1, 2, …"""
    step = max(1, -(-len(days) // 5))
    at = list(range(0, len(days), step))
    axes.set_xticks(at, [short(days[i]) for i in at])


def short(day: date) -> str:
    """3 Jun"""
    return f"{day.day} {MONTHS[day.month - 1][:3]}"
