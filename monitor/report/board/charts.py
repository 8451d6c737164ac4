"""Bars of measured beside expected energy as small SVG files: drawn in a millisecond, sharp on paper, dark in the dark.

The rule of colours is that of `monitor/report/figures.py`.
"""

from __future__ import annotations

import math
from collections.abc import Iterator, Sequence
from dataclasses import dataclass

from markupsafe import Markup

from monitor.report import style
from monitor.report.board.sheet import Bars
from monitor.report.templating import render_picture

_WIDTH, _HEIGHT = 460.0, 250.0
_LEFT, _RIGHT, _BASE = 44.0, 452.0, 224.0
_LEGEND_TOP, _LEGEND_ROW = 16.0, 20.0
# Kind: what it is called, and the room that takes.
_LEGEND = {
    "measured": ("measured", 92.0),
    "expected": ("expected", 92.0),
    "band": ("likely range", 108.0),
    "lost": ("lost: act on it", 116.0),
    "gaps": ("no reading", 96.0),
}
_BAR = 0.78  # of a place
_STEPS = (1.0, 2.0, 5.0, 10.0)
_TICKS = 4


@dataclass(frozen=True, slots=True)
class Scale:
    """From numbers to places in the picture."""

    places: int
    top: float
    begin: float  # its upper end in the picture

    def x(self, place: float) -> float:
        """Left end of a place."""
        return _LEFT + (_RIGHT - _LEFT) * place / self.places

    def y(self, energy: float) -> float:
        """Height of an energy."""
        return _BASE - (_BASE - self.begin) * energy / self.top


def chart_svg(bars: Bars, title: str) -> str:
    """The picture; `title` says what it shows to those who do not see it."""
    every = (bars.measured, bars.expected, bars.high)
    highest = max((v for row in every for v in row if math.isfinite(v)), default=1.0)
    step = tick_step(max(highest, 0.1))
    lost = [
        min(made + loss, max(due, made)) if loss > 0.0 and math.isfinite(due) else math.nan
        for made, due, loss in zip(bars.measured, bars.expected, bars.lost, strict=True)
    ]
    kinds = {
        "measured": True,
        "expected": any(map(math.isfinite, bars.expected)),
        "band": any(map(math.isfinite, bars.low)),
        "lost": any(map(math.isfinite, lost)),
        "gaps": not all(map(math.isfinite, bars.measured)),
    }
    legend = list(_legend([kind for kind, is_there in kinds.items() if is_there]))
    scale = Scale(len(bars.measured), 1.04 * max(highest, 0.1), legend[-1][3] + 30.0)
    context = {
        "title": title,
        "unit": bars.unit,
        "legend": legend,
        "box": (_WIDTH, _HEIGHT, _LEFT, _RIGHT, scale.begin, _BASE),
        "band": _way(_boxes(scale, bars.low, bars.high, 1.0)),
        "measured": _way(_boxes(scale, [0.0] * scale.places, bars.measured, _BAR)),
        "expected": _way(_lines(scale, bars.expected)),
        "lost": _way(_boxes(scale, bars.measured, lost, _BAR)),
        "gaps": _way(_crosses(scale, bars.measured)),
        "rules": [(scale.y(n * step), f"{n * step:g}") for n in range(int(scale.top / step) + 1)],
        "labels": [(scale.x(place + 0.5), text) for place, text in bars.labels],
        "style": style,
    }
    return render_picture("board/chart.svg", context)


def _legend(kinds: Sequence[str]) -> Iterator[tuple[str, str, float, float]]:
    """Kind, words and place of each entry, in rows that fit."""
    x, y = 4.0, _LEGEND_TOP
    for kind in kinds:
        text, wide = _LEGEND[kind]
        if x + wide > _WIDTH:
            x, y = 4.0, y + _LEGEND_ROW
        yield kind, text, x, y
        x += wide


def tick_step(highest: float) -> float:
    """The step between labels of an axis: about four of them, at round numbers."""
    rough = highest / _TICKS
    size = 10.0 ** math.floor(math.log10(rough))
    return next(size * step for step in _STEPS if size * step >= rough)


def _way(parts: Iterator[str]) -> Markup:
    """A path's description: numbers of ours, and as such nothing that has to be looked through."""
    return Markup("".join(parts))


def _boxes(scale: Scale, bottom: Sequence[float], top: Sequence[float], width: float) -> Iterator[str]:
    wide = (scale.x(1) - scale.x(0)) * width
    for place, (low, high) in enumerate(zip(bottom, top, strict=True)):
        if math.isfinite(low) and math.isfinite(high) and high > low:
            x = scale.x(place + (1.0 - width) / 2.0)
            yield f"M{x:.1f} {scale.y(low):.1f}V{scale.y(high):.1f}h{wide:.1f}V{scale.y(low):.1f}z"


def _lines(scale: Scale, energies: Sequence[float]) -> Iterator[str]:
    wide = scale.x(1) - scale.x(0)
    for place, energy in enumerate(energies):
        if math.isfinite(energy):
            yield f"M{scale.x(place):.1f} {scale.y(energy):.1f}h{wide:.1f}"


def _crosses(scale: Scale, energies: Sequence[float]) -> Iterator[str]:
    for place, energy in enumerate(energies):
        if not math.isfinite(energy):
            yield f"M{scale.x(place + 0.5) - 2:.1f} {_BASE - 2:.1f}l4 4m0-4l-4 4"
