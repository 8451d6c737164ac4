"""Register against register: what the customer's meter counts of each day beside what the inverter does."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import date

import numpy as np
from matplotlib.figure import Figure
from matplotlib.ticker import PercentFormatter

from monitor.report import style
from monitor.report.proof import sheet

_INCHES = (4.6, 3.6)
# What two sound devices may read apart (inverters' own readings, common practice).
APART = 0.03
_LEAST_KWH = 1.0
_ROOM = 0.4


@dataclass(frozen=True, slots=True, kw_only=True)
class TwoRegisters:
    """Daily energies [kWh] of a meter and of the inverter that it measures; days with both."""

    days: Sequence[date]
    meter_label: str
    meter_kwh: Sequence[float]
    inverter_label: str
    inverter_kwh: Sequence[float]
    since: date | None = None


def registers_figure(data: TwoRegisters) -> Figure:
    """Above, day against day with the line on which both agree; below, their ratio over time."""
    figure, axes = sheet.paper(_INCHES)
    axes.remove()
    upper, lower = figure.subplots(2, 1, height_ratios=(1.6, 1.0))
    for one in (upper, lower):
        sheet.dress(one)
    meter, inverter = (np.asarray(v, dtype=float) for v in (data.meter_kwh, data.inverter_kwh))
    top = 1.06 * max(float(np.max(inverter, initial=0.0)), float(np.max(meter, initial=0.0)), 1.0)
    band = np.array([0.0, top])
    upper.fill_between(band, (1 - APART) * band, (1 + APART) * band, color=style.UNCERTAINTY, linewidth=0,
                       label=f"within {APART:.0%}", zorder=1)  # fmt: skip
    upper.plot(band, band, label="both agree", color=style.LIGHT["ink"], linewidth=0.9, zorder=2)
    upper.scatter(inverter, meter, s=8, color=style.MEASURED, linewidths=0, label="each day", zorder=3)
    upper.set_xlim(0, top)
    upper.set_ylim(0, top)
    upper.set_xlabel(f"{data.inverter_label}, kWh a day", fontsize=style.FONT_POINTS - 1, color=style.LIGHT["soft"])
    sheet.unit_label(upper, f"{data.meter_label}, kWh a day")
    x = np.arange(len(data.days), dtype=float)
    bright = inverter >= _LEAST_KWH
    lower.axhspan(1 - APART, 1 + APART, color=style.UNCERTAINTY, linewidth=0, zorder=1)
    lower.scatter(x[bright], meter[bright] / inverter[bright], s=6, color=style.MEASURED, linewidths=0, zorder=3)
    lower.yaxis.set_major_formatter(PercentFormatter(1.0, decimals=0))
    if data.since is not None and data.since in data.days:
        bottom, top = lower.get_ylim()
        lower.set_ylim(bottom, top + _ROOM * (top - bottom))  # for the date, which would hide days behind it
        sheet.mark_since(lower, list(data.days).index(data.since) - 0.5, data.since)
    sheet.day_ticks(lower, data.days)
    sheet.unit_label(lower, "meter over inverter")
    sheet.legend_above(figure, upper)
    return figure
