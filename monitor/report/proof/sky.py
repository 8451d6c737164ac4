"""The sun-path picture with what has newly come to stand before the sun."""

from __future__ import annotations

from dataclasses import dataclass

from matplotlib.figure import Figure
from matplotlib.patches import Rectangle

from monitor.report import style
from monitor.report.sunpath import SunView, across, sunpath_figure


@dataclass(frozen=True, slots=True, kw_only=True)
class NewShade:
    """What stands new, from azimuth to azimuth (clockwise) and up to an elevation [deg], before the sky of `view`."""

    view: SunView
    from_deg: float
    to_deg: float
    top_deg: float
    asks_for_action: bool


def new_shade_figure(data: NewShade) -> Figure:
    """The sky as it was when the roof was new, and over it, hatched, what was not there then."""
    figure = sunpath_figure(data.view)
    (axes,) = figure.axes
    colour = style.LOSS if data.asks_for_action else style.LIGHT["ink"]
    left = across(data.view, data.from_deg)
    width = (data.to_deg - data.from_deg) % 360.0
    axes.add_patch(
        Rectangle(
            (left, 0.0), width, data.top_deg, facecolor="none", edgecolor=colour, hatch="////", linewidth=1.6, zorder=7
        )
    )
    axes.annotate(
        "new", (left + width / 2.0, data.top_deg), xytext=(0.0, 4.0), textcoords="offset points", ha="center",
        va="bottom", fontsize=style.FONT_POINTS, fontweight="bold", color=style.LIGHT["ink"], zorder=9,
        bbox={"facecolor": "white", "edgecolor": "none", "pad": 1.0, "alpha": 0.85},
    )  # fmt: skip
    return figure
