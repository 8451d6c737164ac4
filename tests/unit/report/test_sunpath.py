"""The sun-path picture: where the sun is drawn, and what is drawn before it."""

from __future__ import annotations

import io
from dataclasses import replace

import numpy as np
import pytest
from matplotlib.collections import LineCollection, PolyCollection
from matplotlib.colors import to_hex
from matplotlib.figure import Figure
from PIL import Image

from ingest.readings import Values
from monitor.model.skycells import CELL_AZIMUTH, CELL_ELEVATION
from monitor.model.skymap import SkyMap, open_sky
from monitor.model.sun import sun_position
from monitor.report import style
from monitor.report.figures import png
from monitor.report.sunlines import DECLINATIONS, day_path, hour_angle, hour_line, in_sun_zone
from monitor.report.sunpath import SunView, sunpath_figure

JUNE_21, DECEMBER_21 = 1_782_000_000, 1_797_811_200  # midnights of 2026, UTC


def walled(
    latitude: float, left: float, right: float, top: float, *, through: float = 0.1, seen: bool = True
) -> SkyMap:
    """A sky with a wall before it, all of it seen on five days, or none of it."""
    wall = ((CELL_AZIMUTH - left) % 360.0 < (right - left) % 360.0) & (top > CELL_ELEVATION)
    days = np.full(CELL_AZIMUTH.size, 5 if seen else 0)
    sky = replace(open_sky(latitude), leafy_days=days, bare_days=days)
    return replace(sky, leafy=np.where(wall, through, 1.0), bare=np.where(wall, through, 1.0))


def view(sky: SkyMap, *, longitude: float = 0.0, utc_offset_h: float = 0.0, facing: float = 180.0) -> SunView:
    return SunView(
        latitude=sky.latitude, longitude=longitude, utc_offset_h=utc_offset_h, sky_map=sky, facing_deg=(facing,)
    )


def legend(figure: Figure) -> set[str]:
    return {text.get_text() for text in figure.legends[0].get_texts()}


def ticks(figure: Figure) -> list[str]:
    return [tick.get_text().partition("\n")[0] for tick in figure.axes[0].get_xticklabels()]


def written(figure: Figure) -> dict[str, tuple[float, float]]:
    return {t.get_text(): (t.xy[0], t.xy[1]) for t in figure.axes[0].texts}  # type: ignore[attr-defined]


def path(figure: Figure, name: str) -> Values:
    """Points of the sun's way in a month."""
    (found,) = [c for c in figure.axes[0].collections if isinstance(c, LineCollection) and c.get_label() == name]
    return np.concatenate(found.get_segments())


def boxes(figure: Figure, label: str) -> list[Values]:
    found = [c for c in figure.axes[0].collections if isinstance(c, PolyCollection) and c.get_label() == label]
    return [np.asarray(p.vertices) for c in found for p in c.get_paths()]


@pytest.mark.parametrize("latitude", [52.1, -35.0, 4.0, 69.0])
@pytest.mark.parametrize(("name", "midnight"), [("Jun", JUNE_21), ("Dec", DECEMBER_21)])
def test_a_path_is_where_the_sun_goes(latitude: float, name: str, midnight: int) -> None:
    sun = sun_position(midnight + np.arange(0, 86_400, 300), latitude=latitude, longitude=0.0, altitude_m=0.0)
    way = day_path(latitude, DECLINATIONS[name])
    for azimuth, elevation in zip(sun.azimuth_deg, sun.elevation_deg, strict=True):
        if 3.0 < elevation < 75.0:  # refraction lifts a lower sun; a high one changes its azimuth fast
            nearest = np.abs((way.azimuth_deg - azimuth + 180.0) % 360.0 - 180.0) + np.abs(
                way.elevation_deg - elevation
            )
            assert nearest.min() < 1.0


def test_hours_are_those_of_the_zones_standard_time() -> None:
    # Two hours ahead of UTC belong to 30 degrees east: at 26.1 the sun is highest a quarter of an hour after noon.
    angle = hour_angle(12.0, longitude=26.1, utc_offset_h=2.0)
    assert angle == pytest.approx(-3.9)
    sun = sun_position(np.array([JUNE_21 + 10 * 3600]), latitude=44.4, longitude=26.1, altitude_m=0.0)
    line = hour_line(44.4, angle)
    assert line.elevation_deg[-1] == pytest.approx(sun.elevation_deg[0], abs=0.3)
    assert line.azimuth_deg[-1] == pytest.approx(sun.azimuth_deg[0], abs=1.5)


def test_the_sun_never_stands_outside_of_its_zone() -> None:
    assert in_sun_zone(52.0, np.array([180.0, 180.0, 0.0]), np.array([38.0, 70.0, 20.0])).tolist() == [
        True,
        False,
        False,
    ]
    assert in_sun_zone(-35.0, np.array([0.0, 180.0]), np.array([40.0, 40.0])).tolist() == [True, False]


def test_the_north_looks_south_with_the_morning_on_the_left() -> None:
    figure = sunpath_figure(view(open_sky(52.1)))
    assert ticks(figure)[1:-1] == ["E", "SE", "S", "SW", "W"]
    at = written(figure)
    assert at["8 h"][0] < at["12 h"][0] < at["16 h"][0]
    assert at["Jun"][1] > at["Mar, Sep"][1] > at["Dec"][1]


def test_the_south_looks_north_with_the_morning_on_the_right() -> None:
    figure = sunpath_figure(view(open_sky(-35.0), longitude=149.1, utc_offset_h=10.0, facing=0.0))
    assert ticks(figure) == ["W", "NW", "N", "NE", "E"]
    at = written(figure)
    assert at["8 h"][0] > at["12 h"][0] > at["16 h"][0]
    assert at["Dec"][1] > at["Mar, Sep"][1] > at["Jun"][1]
    assert at["Dec"][1] == pytest.approx(90.0 - 35.0 + 23.4, abs=0.1)


def test_where_the_sun_does_not_set_all_of_the_compass_is_drawn() -> None:
    figure = sunpath_figure(view(open_sky(69.7), longitude=18.9, utc_offset_h=1.0))
    assert ticks(figure) == ["N", "NE", "E", "SE", "S", "SW", "W", "NW"]
    assert path(figure, "Jun")[:, 1].min() == pytest.approx(69.7 - 90.0 + 23.4, abs=0.1)
    assert {"0 h", "22 h"} <= written(figure).keys()
    assert "Dec" not in written(figure)


def test_a_path_is_not_drawn_across_the_picture_where_it_leaves_at_a_side() -> None:
    for sky in (open_sky(4.0), open_sky(69.7), open_sky(-4.0)):
        for lines in sunpath_figure(view(sky)).axes[0].collections:
            if isinstance(lines, LineCollection):
                steps = [np.abs(np.diff(s[:, 0])).max() for s in lines.get_segments()]
                assert max(steps, default=0.0) <= 90.0


def test_what_stands_there_is_grey_and_outlined_in_the_colour_of_what_was_measured() -> None:
    figure = sunpath_figure(view(walled(52.1, 205.0, 235.0, 25.0)))
    (wall,) = {tuple(np.ptp(b, axis=0)) for b in boxes(figure, style.SHADES[0][1])}
    assert wall == (30.0, 2.5)
    (outline,) = [line for line in figure.axes[0].lines if line.get_label() == "top of what stands there"]
    assert to_hex(str(outline.get_color())).upper() == style.MEASURED
    drawn = np.asarray(outline.get_xydata())
    assert (drawn[:, 0].min(), drawn[:, 0].max()) == (25.0, 55.0)  # from the south
    assert drawn[:, 1].max() == pytest.approx(25.0)
    assert {"seen in full sun", "less than 25% passes", "its likely range"} <= legend(figure)
    assert style.UNSEEN_SKY not in legend(figure)


@pytest.mark.parametrize(("through", "label"), [(0.1, 0), (0.3, 1), (0.7, 2)])
def test_the_grey_tells_how_much_passes(through: float, label: int) -> None:
    figure = sunpath_figure(view(walled(52.1, 205.0, 235.0, 25.0, through=through)))
    assert {name for _, name in style.SHADES} & legend(figure) == {style.SHADES[label][1]}


def test_greys_are_told_apart_without_colour_and_from_the_uncertain() -> None:
    greys = [int(grey[1:3], 16) for grey in (*(grey for grey, _ in style.SHADES), style.UNCERTAINTY)]
    assert min(np.diff(greys)) > 35


def test_a_wall_over_the_middle_of_the_night_is_drawn_at_both_sides() -> None:
    figure = sunpath_figure(view(walled(69.7, 350.0, 10.0, 10.0)))
    sides = [sorted({round(float(x)) for x in b[:, 0]}) for b in boxes(figure, style.SHADES[0][1])]
    assert sorted(map(tuple, sides))[0] == (-180, -170)
    assert (170, 180) in map(tuple, sides)


def test_what_was_never_seen_is_hatched_and_not_called_open() -> None:
    figure = sunpath_figure(view(open_sky(52.1)))
    assert style.UNSEEN_SKY in legend(figure)
    assert not {style.OPEN_SKY, "top of what stands there"} & legend(figure)
    hatched = [c for c in figure.axes[0].collections if isinstance(c, PolyCollection) and c.get_hatch()]
    assert len(hatched) == 1


def test_the_range_of_a_top_with_nothing_seen_above_ends_with_the_suns_paths() -> None:
    sky = walled(52.1, 205.0, 235.0, 25.0)
    below = CELL_ELEVATION < 25.0
    sky = replace(sky, leafy_days=np.where(below, 5, 0), bare_days=np.where(below, 5, 0))
    assert np.nanmax(sky.outline().high_deg) == 90.0
    bands = boxes(sunpath_figure(view(sky)), "its likely range")
    assert 50.0 < max(float(b[:, 1].max()) for b in bands) < 62.0


@pytest.mark.parametrize(("facing", "drawn"), [(180.0, 0.0), (90.0, -90.0), (0.0, -140.0)])
def test_the_facing_is_marked_in_the_picture_or_at_its_side(facing: float, drawn: float) -> None:
    figure = sunpath_figure(view(open_sky(52.1), facing=facing))
    (mark,) = [line for line in figure.axes[0].lines if line.get_label() == "the modules face this way"]
    assert list(np.asarray(mark.get_xdata())) == pytest.approx([drawn], abs=5.0)


def test_no_colour_of_losses_or_expectations() -> None:
    picture = Image.open(io.BytesIO(png(sunpath_figure(view(walled(52.1, 205.0, 235.0, 25.0)))))).convert("RGB")
    pixels = np.array([colour for _, colour in picture.getcolors(64) or []])
    colourful = pixels[np.ptp(pixels, axis=1) > 60]
    assert len(colourful) > 0
    assert all(blue > red and blue > green for red, green, blue in colourful)


def test_a_picture_is_light_and_always_the_same() -> None:
    one = view(walled(52.1, 205.0, 235.0, 25.0))
    data = png(sunpath_figure(one))
    assert len(data) < 60_000
    assert data == png(sunpath_figure(one))
