"""Units side by side on one telling day: strings' currents, modules' powers, or one unit beside what was expected."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import date

import numpy as np
from matplotlib.figure import Figure

from monitor.report import style
from monitor.report.proof import sheet

_DASHES = ((0, (5, 2)), (0, (2, 1.5)), (0, (6, 2, 1, 2)), (0, (1, 1)))
_VOLTS_INCHES = (4.6, 3.4)
_EDGE_H = 0.5
_MOST_NAMED = 4


@dataclass(frozen=True, slots=True, kw_only=True)
class TellingDay:
    """Curves over a local day: `hours` since midnight, `own` of the unit in question, `others` beside it.

    `expected` is what the unit should have had, in the same unit of measure (`measure`, say A or kW); `volts` the
    mains voltage at the same time. All NaN where nothing is known.
    """

    day: date
    measure: str
    hours: Sequence[float]
    own_label: str
    own: Sequence[float]
    others: tuple[tuple[str, Sequence[float]], ...] = ()
    expected: Sequence[float] | None = None
    volts: Sequence[float] | None = None


def side_by_side_figure(data: TellingDay) -> Figure:
    """The unit in blue, what was expected in orange, others in greys with dashes of their own."""
    hours = np.asarray(data.hours, dtype=float)
    figure, axes = sheet.paper(sheet.INCHES if data.volts is None else _VOLTS_INCHES)
    if data.volts is not None:
        axes.remove()
        axes, below = figure.subplots(2, 1, sharex=True, height_ratios=(3, 1.3))
        for one in (axes, below):
            sheet.dress(one)
        below.plot(hours, data.volts, color=style.LIGHT["ink"], linewidth=1.1)
        sheet.unit_label(below, "V at the mains")
    named = len(data.others) <= _MOST_NAMED
    for n, (label, values) in enumerate(data.others):
        axes.plot(
            hours, values, color=style.LIGHT["soft"], linewidth=1.1 if named else 0.7,
            linestyle=_DASHES[n % len(_DASHES)] if named else "-", alpha=1.0 if named else 0.6,
            label=label if named else ("the others" if n == 0 else None), zorder=3,
        )  # fmt: skip
    if data.expected is not None:
        axes.plot(hours, data.expected, label="expected", zorder=4, **sheet.EXPECTED_LOOK)
    axes.plot(hours, data.own, color=style.MEASURED, linewidth=2.0, label=data.own_label, zorder=5)
    axes.set_ylim(bottom=0.0)
    lit = _lit(data)
    if lit is not None:
        axes.set_xlim(lit[0] - _EDGE_H, lit[1] + _EDGE_H)
    bottom = axes if data.volts is None else below
    bottom.set_xlabel(
        f"hour of {sheet.short(data.day)} {data.day.year}", fontsize=style.FONT_POINTS, color=style.LIGHT["soft"]
    )
    sheet.unit_label(axes, data.measure)
    sheet.legend_above(figure, axes)
    return figure


def _lit(data: TellingDay) -> tuple[float, float] | None:
    """First and last hour at which any curve is above nothing."""
    rows = [data.own, *(values for _, values in data.others), *([data.expected] if data.expected is not None else [])]
    every = np.nan_to_num(np.array(rows, dtype=float))
    on = np.flatnonzero(every.max(axis=0) > 0.01 * max(float(every.max()), 1e-9))
    return (float(data.hours[on[0]]), float(data.hours[on[-1]])) if on.size else None
