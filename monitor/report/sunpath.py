"""The sun-path picture: what stands before a roof's sky, and when the sun passes behind it. No pyplot."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from typing import Any

import numpy as np
from matplotlib.collections import LineCollection, PolyCollection
from matplotlib.figure import Figure
from matplotlib.patches import Patch
from matplotlib.patheffects import Normal, Stroke

from ingest.readings import Mask, Values
from monitor.model.skycells import RASTER, RASTER_AZIMUTH, ROW_DEG, ROWS
from monitor.model.skymap import SHADED_BELOW, SkyMap
from monitor.report import style
from monitor.report.sunlines import (
    DECLINATIONS,
    TROPIC_DEG,
    Places,
    day_path,
    declination_at,
    hour_angle,
    hour_line,
    in_sun_zone,
)

_COLUMN_DEG = 360.0 / RASTER_AZIMUTH.size
_LABELLED = ("Dec", "Feb, Oct", "Mar, Sep", "Apr, Aug", "Jun")
_HEAVY = ("Dec", "Mar, Sep", "Jun")
_APART_DEG = 4.5  # of elevation, between labels of paths
_COMPASS = {0: "N", 45: "NE", 90: "E", 135: "SE", 180: "S", 225: "SW", 270: "W", 315: "NW"}
_LOW_DEG = 2.0  # an hour is named above this
_TORN_DEG = 90.0  # across the picture's sides, or through the zenith
_LABEL_ASIDE_DEG = 12.0  # from the picture's sides
_LEFT, _BOTTOM, _WIDE, _TALL, _LEGEND_ROW = 0.105, 0.125, 0.865, 0.85, 0.056  # of the picture
_HEADROOM_DEG = 9.0


@dataclass(frozen=True, slots=True, kw_only=True)
class SunView:
    """A subject's sky: where it is, the zone's standard time [h ahead of UTC], its map, and the planes it lies on."""

    latitude: float
    longitude: float
    utc_offset_h: float
    sky_map: SkyMap
    facing_deg: tuple[float, ...]  # azimuths of its planes

    @property
    def middle_deg(self) -> float:
        """Azimuth in the middle of the picture: the equator's side."""
        return 180.0 if self.latitude >= 0.0 else 0.0


def sunpath_figure(view: SunView) -> Figure:
    """The sky over the horizon as somebody sees it who looks towards the equator.

    Paths of the sun by month, crossed by hours of standard time; greys where less of the sun arrives; the top of what
    stands there with its range; a hatch where this roof has not seen the sun yet.
    """
    figure = Figure(figsize=style.SKY_INCHES, dpi=style.SKY_DPI, facecolor="white")
    axes = figure.add_axes((_LEFT, _BOTTOM, _WIDE, _TALL))
    width, height = _extent(view)
    axes.set_xlim(-width, width)
    axes.set_ylim(0.0, height)
    handles = [*_ground(axes, view), *_top(axes, view)]
    _paths(axes, view, width)
    _hours(axes, view)
    handles += _facing(axes, view, width)
    _frame(axes, view, width)
    rows = np.ceil(len(handles) / 2)
    axes.set_position((_LEFT, _BOTTOM, _WIDE, _TALL - _LEGEND_ROW * rows))
    figure.legend(
        handles=handles, loc="upper left", ncols=2, fontsize=style.FONT_POINTS - 1, frameon=False, borderaxespad=0.1,
        columnspacing=1.2, handlelength=1.6, handletextpad=0.5, labelspacing=0.35, labelcolor=style.LIGHT["ink"],
    )  # fmt: skip
    return figure


def _extent(view: SunView) -> tuple[float, float]:
    """Half of the width and the height [deg] that hold every path."""
    ways = [day_path(view.latitude, d) for d in (-TROPIC_DEG, 0.0, TROPIC_DEG)]
    widest = max(float(np.abs(_across(view, w.azimuth_deg[w.elevation_deg > 0.0])).max(initial=0.0)) for w in ways)
    highest = max(float(w.elevation_deg.max()) for w in ways)
    tops = view.sky_map.outline().top_deg
    highest = max(highest, float(np.max(tops, where=~np.isnan(tops), initial=0.0)))
    return min(180.0, 5.0 * np.ceil(widest / 5.0 + 1.0)), min(90.0, highest + _HEADROOM_DEG)


def across(view: SunView, azimuth_deg: float) -> float:
    """An azimuth as a place in the picture."""
    return float(_across(view, np.array([azimuth_deg]))[0])


def _across(view: SunView, azimuth_deg: Values) -> Values:
    """Azimuth as a place in the picture: degrees to the right of its middle, -180 to 180."""
    return np.asarray((azimuth_deg - view.middle_deg + 180.0) % 360.0 - 180.0)


def _ground(axes: Any, view: SunView) -> list[Any]:
    """Cells where the sun never stands, where it was not seen yet, and where less of it arrives."""
    sky = view.sky_map
    elevation = np.broadcast_to(((np.arange(ROWS) + 0.5) * ROW_DEG)[:, None], RASTER.shape)
    azimuth = np.broadcast_to(RASTER_AZIMUTH, RASTER.shape)
    through, seen = np.minimum(sky.leafy, sky.bare)[RASTER], (sky.leafy_days + sky.bare_days)[RASTER] > 0
    zone = in_sun_zone(view.latitude, azimuth, elevation)
    handles: list[Any] = []
    low = -np.inf
    for limit, (grey, label) in zip((0.25, 0.5, SHADED_BELOW), style.SHADES, strict=True):
        here = (through >= low) & (through < limit)
        low = limit
        if here.any():
            _cells(axes, view, here, facecolor=grey, label=label, zorder=2)
            handles.append(Patch(facecolor=grey, label=label))
    is_open = through >= SHADED_BELOW
    if (zone & seen & is_open).any():
        handles.append(Patch(facecolor="white", edgecolor=style.LIGHT["soft"], linewidth=0.7, label=style.OPEN_SKY))
    if (zone & ~seen & is_open).any():
        look: dict[str, Any] = {
            "facecolor": "white",
            "edgecolor": style.SHADES[2][0],
            "hatch": "....",
            "linewidth": 0.0,
        }
        _cells(axes, view, ~seen & is_open, label=style.UNSEEN_SKY, zorder=1, **look)
        handles.append(Patch(label=style.UNSEEN_SKY, **look))
    _sunless(axes, view)
    return handles


def _sunless(axes: Any, view: SunView) -> None:
    """Tints the sky where the sun never stands."""
    across, up = np.linspace(-180.0, 180.0, 181), np.linspace(0.0, 90.0, 91)
    declination = declination_at(view.latitude, (across + view.middle_deg)[None, :], up[:, None])
    axes.contourf(
        across, up, np.abs(declination), levels=[TROPIC_DEG, 91.0], colors=[style.LIGHT["page"]], zorder=1.5
    )  # fmt: skip


def _cells(axes: Any, view: SunView, mask: Mask, **look: Any) -> None:
    """Cells of the raster as rectangles, runs of them as one."""
    boxes = [
        ((x0, y0), (x1, y0), (x1, y0 + ROW_DEG), (x0, y0 + ROW_DEG))
        for row in np.flatnonzero(mask.any(axis=1))
        for y0 in (float(row) * ROW_DEG,)
        for x0, x1 in _runs(view, mask[row])
    ]
    if boxes:
        axes.add_collection(PolyCollection(boxes, **({"linewidth": 0.0, "antialiased": False} | look)))


def _runs(view: SunView, row: Mask) -> Iterator[tuple[float, float]]:
    """Where a row of the raster, as it stands in the picture, is true: left and right ends."""
    order = _order(view)
    steps = np.diff(np.concatenate([[0], row[order].astype(np.int64), [0]]))
    for begin, end in zip(np.flatnonzero(steps == 1), np.flatnonzero(steps == -1), strict=True):
        yield float(begin) * _COLUMN_DEG - 180.0, float(end) * _COLUMN_DEG - 180.0


def _order(view: SunView) -> Any:
    """Columns of the raster from the left of the picture to the right."""
    return np.argsort(_across(view, RASTER_AZIMUTH))


def _top(axes: Any, view: SunView) -> list[Any]:
    """The obstruction's outline, and between which elevations its top lies."""
    outline, order = view.sky_map.outline(), _order(view)
    top, low = outline.top_deg[order], outline.low_deg[order]
    # Where nothing above has been seen yet, the range ends where the sun's paths do.
    high = np.minimum(outline.high_deg, np.maximum(_zone_top(view), outline.top_deg))[order]
    left = np.arange(top.size) * _COLUMN_DEG - 180.0
    handles: list[Any] = []
    for begin, end in _stretches(~np.isnan(top)):
        x = np.append(left[begin:end], left[end - 1] + _COLUMN_DEG)
        y, bottom, upper = (np.append(v[begin:end], v[end - 1]) for v in (top, low, high))
        band = axes.fill_between(
            x,
            bottom,
            upper,
            step="post",
            facecolor=style.UNCERTAINTY,
            linewidth=0.0,
            zorder=3,
            label="its likely range",
        )
        edge = [Stroke(linewidth=3.2, foreground="white"), Normal()]
        (line,) = axes.plot(
            np.concatenate([x[:1], x, x[-1:]]), np.concatenate([[0.0], y, [0.0]]), drawstyle="steps-post",
            color=style.MEASURED, linewidth=1.7, zorder=6, label="top of what stands there", path_effects=edge,
        )  # fmt: skip
        handles = [line, band]
    return handles


def _zone_top(view: SunView) -> Values:
    """Highest elevation of the sun at each azimuth of the outline; 0 where it never stands."""
    rows = np.arange(0.0, 90.0, 0.5)
    return np.asarray((in_sun_zone(view.latitude, RASTER_AZIMUTH[None, :], rows[:, None]) * rows[:, None]).max(axis=0))


def _stretches(mask: Mask) -> list[tuple[int, int]]:
    steps = np.diff(np.concatenate([[0], mask.astype(np.int64), [0]]))
    return list(zip(np.flatnonzero(steps == 1).tolist(), np.flatnonzero(steps == -1).tolist(), strict=True))


def _paths(axes: Any, view: SunView, width: float) -> None:
    """The sun's way by month, named where it is highest."""
    halo = [Stroke(linewidth=2.4, foreground="white", alpha=0.75), Normal()]
    taken: list[float] = []
    for name in sorted(DECLINATIONS, key=lambda n: n not in _HEAVY):
        way = day_path(view.latitude, DECLINATIONS[name])
        heavy = name in _HEAVY
        axes.add_collection(
            LineCollection(
                _pieces(view, way),
                colors=style.LIGHT["ink" if heavy else "soft"],
                linewidths=1.1 if heavy else 0.7,
                zorder=5,
                path_effects=halo,
                label=name,
            )  # fmt: skip
        )
        x = _across(view, way.azimuth_deg)
        aside = np.where(np.abs(x) < width - _LABEL_ASIDE_DEG, way.elevation_deg, -90.0)
        best = int(np.argmax(np.round(aside, 6)))
        at = float(aside[best])
        if name in _LABELLED and at > _LOW_DEG and all(abs(at - other) > _APART_DEG for other in taken):
            taken.append(at)
            _write(axes, float(x[best]), at, name)


def _pieces(view: SunView, places: Places) -> list[Values]:
    """A way as lines over the horizon, torn where it leaves the picture on one side and comes back on the other."""
    x, y = _across(view, places.azimuth_deg), places.elevation_deg
    torn = np.flatnonzero((np.abs(np.diff(x)) > _TORN_DEG) | (np.diff(y >= 0.0)))
    parts = np.split(np.column_stack([x, y]), torn + 1)
    return [part for part in parts if len(part) > 1 and part[0, 1] >= 0.0]


def _hours(axes: Any, view: SunView) -> None:
    """Hours of the zone's standard time across the paths, every other one named above summer's."""
    summer = -1 if view.latitude >= 0.0 else 0
    for hour in range(24):
        line = hour_line(
            view.latitude, hour_angle(hour, longitude=view.longitude, utc_offset_h=view.utc_offset_h)
        )  # fmt: skip
        axes.add_collection(
            LineCollection(
                _pieces(view, line), colors=style.LIGHT["soft"], linewidths=0.6, linestyles=[(0, (1.5, 1.8))], zorder=4
            )
        )
        x, y = float(_across(view, line.azimuth_deg)[summer]), float(line.elevation_deg[summer])
        if y > _LOW_DEG and hour % 2 == 0:
            _write(axes, x, y, f"{hour} h", above=True)


def _write(axes: Any, x: float, y: float, text: str, *, above: bool = False) -> None:
    axes.annotate(
        text, (x, y), xytext=(0.0, 9.0 if above else 0.0), textcoords="offset points",
        fontsize=style.FONT_POINTS - 1.5, ha="center", va="center", color=style.LIGHT["ink"], zorder=8,
        bbox={"facecolor": "white", "edgecolor": "none", "pad": 0.4, "alpha": 0.85},
    )  # fmt: skip


def _facing(axes: Any, view: SunView, width: float) -> list[Any]:
    """Where the planes face; at the picture's side when that lies outside of it."""
    x = np.clip(_across(view, np.array(view.facing_deg)), -width, width)
    (mark,) = axes.plot(
        x, np.zeros(x.size), linestyle="none", marker="^", markersize=8, color=style.LIGHT["ink"],
        markeredgecolor="white", clip_on=False, zorder=9, label="the modules face this way",
    )  # fmt: skip
    return [mark] if x.size else []


def _frame(axes: Any, view: SunView, width: float) -> None:
    ticks = {float(_across(view, np.array([float(a)]))[0]): f"{name}\n{a}°" for a, name in _COMPASS.items()}
    inside = sorted(x for x in ticks if abs(x) <= width)
    axes.set_xticks(inside, [ticks[x] for x in inside])
    axes.set_yticks(np.arange(0.0, axes.get_ylim()[1], 15.0))
    axes.yaxis.set_major_formatter("{x:.0f}°")
    axes.tick_params(labelsize=style.FONT_POINTS - 0.5, colors=style.LIGHT["ink"], length=3, pad=2)
    axes.spines[["top", "right"]].set_visible(False)
    axes.spines[["left", "bottom"]].set_color(style.LIGHT["soft"])
