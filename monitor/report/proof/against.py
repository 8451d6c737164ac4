"""One measured quantity against another, say a string's current against its voltage, beside a like one's."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

from matplotlib.figure import Figure

from monitor.report import style
from monitor.report.proof import sheet

_ROUGH = 80  # points that are drawn as large dots


@dataclass(frozen=True, slots=True, kw_only=True)
class Against:
    """Points (x, y) of a unit and, with `beside`, of one like it at the same times."""

    x_label: str
    y_label: str
    own_label: str
    own: Sequence[tuple[float, float]]
    beside_label: str = ""
    beside: Sequence[tuple[float, float]] = ()


def against_figure(data: Against) -> Figure:
    """Blue dots for the unit, grey rings for the one beside it."""
    figure, axes = sheet.paper()
    size = 14 if len(data.own) <= _ROUGH else 7
    if data.beside:
        axes.scatter(
            *zip(*data.beside, strict=True), s=size + 8, facecolors="none", edgecolors=style.LIGHT["soft"],
            linewidths=0.9, label=data.beside_label, zorder=3,
        )  # fmt: skip
    axes.scatter(
        *zip(*data.own, strict=True), s=size, color=style.MEASURED, linewidths=0, label=data.own_label, zorder=4
    )
    if min(y for _, y in (*data.own, *data.beside)) >= 0.0:
        axes.set_ylim(bottom=0.0)
    else:
        axes.axhline(0.0, color=style.LIGHT["soft"], linewidth=0.9, zorder=1)
    axes.set_xlabel(data.x_label, fontsize=style.FONT_POINTS, color=style.LIGHT["soft"])
    sheet.unit_label(axes, data.y_label)
    sheet.legend_above(figure, axes)
    return figure
