"""Proof pictures: what is drawn in which colour, and that gaps do no harm."""

from __future__ import annotations

import math
from dataclasses import replace
from datetime import date, timedelta

import numpy as np
import pytest
from matplotlib.colors import to_hex
from matplotlib.figure import Figure

from monitor.model.skycells import CELLS
from monitor.model.skymap import SkyMap
from monitor.report import style
from monitor.report.callback.figures import MonthBar, WaterfallRow, months_figure, waterfall_figure
from monitor.report.figures import full_png
from monitor.report.proof.against import Against, against_figure
from monitor.report.proof.drawing import proof_figure
from monitor.report.proof.ratio import DailyRatio, ratio_figure
from monitor.report.proof.registers import TwoRegisters, registers_figure
from monitor.report.proof.side_by_side import TellingDay, side_by_side_figure
from monitor.report.proof.sky import NewShade, new_shade_figure
from monitor.report.sunpath import SunView

HOURS = [n / 4 for n in range(96)]
HUMP = [max(0.0, 9.0 * math.sin(math.pi * (h - 6) / 14)) if 6 <= h <= 20 else 0.0 for h in HOURS]
NAN = float("nan")
SINCE = date(2026, 5, 1)


def labels(figure: Figure) -> list[str]:
    return [text.get_text() for text in figure.legends[0].get_texts()]


def colours(figure: Figure) -> set[str]:
    """Colours of all lines, filled areas and edges of patches."""
    found = {to_hex(line.get_color()) for axes in figure.axes for line in axes.lines}
    found |= {to_hex(c) for axes in figure.axes for one in axes.collections for c in np.asarray(one.get_edgecolor())}
    found |= {to_hex(patch.get_edgecolor()) for axes in figure.axes for patch in axes.patches}
    return {colour.upper() for colour in found}


def day(**changes: object) -> TellingDay:
    given = {"day": SINCE, "measure": "A", "hours": HOURS, "own_label": "string s1", "own": [0.5 * x for x in HUMP],
             "others": (("string s2", HUMP),)}  # fmt: skip
    return TellingDay(**{**given, **changes})  # type: ignore[arg-type]


def test_strings_stand_side_by_side_with_the_one_in_question_in_blue() -> None:
    figure = side_by_side_figure(day())
    assert labels(figure) == ["string s2", "string s1"]
    assert style.MEASURED in colours(figure)
    left, right = figure.axes[0].get_xlim()
    assert (left, right) == pytest.approx((5.5, 20.5), abs=0.6)


def test_many_modules_are_named_once() -> None:
    others = tuple((f"module {n}", HUMP) for n in range(11))
    assert labels(side_by_side_figure(day(others=others, expected=HUMP))) == ["the others", "expected", "string s1"]


def test_mains_voltage_has_a_picture_of_its_own_below() -> None:
    figure = side_by_side_figure(day(others=(), expected=HUMP, volts=[240.0] * 96))
    assert len(figure.axes) == 2


def ratios(acts: bool, after: float = 0.7) -> DailyRatio:
    days = [SINCE + timedelta(days=n) for n in range(-30, 30)]
    ratio = [1.0 if d < SINCE else after for d in days]
    ratio[3] = NAN
    return DailyRatio(
        of="string:s1", days=days, ratio=ratio, low=[0.9] * 60, high=[1.1] * 60, since=SINCE, until=days[-1],
        held_against="what was expected", asks_for_action=acts,
    )  # fmt: skip


def test_a_lost_level_is_vermillion_only_for_what_somebody_should_act_on() -> None:
    assert style.LOSS in colours(ratio_figure(ratios(acts=True)))
    assert style.LOSS not in colours(ratio_figure(ratios(acts=False)))
    assert "lost" in labels(ratio_figure(ratios(acts=False)))
    assert "lost" not in labels(ratio_figure(ratios(acts=True, after=1.05)))


def test_a_ratio_near_nothing_is_drawn_from_nothing() -> None:
    assert ratio_figure(ratios(acts=True, after=0.1)).axes[0].get_ylim()[0] == 0.0
    assert ratio_figure(ratios(acts=True, after=0.9)).axes[0].get_ylim()[0] == pytest.approx(0.8)


def test_a_single_dark_day_does_not_flatten_the_rest() -> None:
    data = ratios(acts=True, after=0.9)
    ratio = list(data.ratio)
    ratio[10] = 0.0
    figure = ratio_figure(replace(data, ratio=ratio))
    assert figure.axes[0].get_ylim()[0] == pytest.approx(0.8)
    assert "below" in labels(figure)


def test_registers_show_both_and_their_ratio() -> None:
    days = [SINCE + timedelta(days=n) for n in range(20)]
    figure = registers_figure(
        TwoRegisters(days=days, meter_label="meter gen1", meter_kwh=[9.0] * 20, inverter_label="inverter inv1",
                     inverter_kwh=[10.0] * 20, since=days[5])
    )  # fmt: skip
    assert len(figure.axes) == 2
    assert labels(figure) == ["within 3%", "both agree", "each day"]
    (dots,) = [c for c in figure.axes[1].collections if c.get_offsets().size]
    assert np.asarray(dots.get_offsets())[:, 1] == pytest.approx(0.9)


@pytest.mark.parametrize("acts", [True, False])
def test_new_shade_is_hatched_on_the_sky_as_it_was(acts: bool) -> None:
    one, none, never = np.ones(CELLS), np.zeros(CELLS, np.int64), np.zeros(CELLS, bool)
    view = SunView(latitude=52.0, longitude=-2.0, utc_offset_h=0.0, facing_deg=(180.0,),
                   sky_map=SkyMap(52.0, one, one, none, none, never, never))  # fmt: skip
    figure = new_shade_figure(NewShade(view=view, from_deg=250.0, to_deg=280.0, top_deg=30.0, asks_for_action=acts))
    new = figure.axes[0].patches[-1]
    assert (new.get_x(), new.get_width(), new.get_height()) == pytest.approx((70.0, 30.0, 30.0))
    assert (to_hex(new.get_edgecolor()).upper() == style.LOSS) is acts


def test_the_waterfall_begins_orange_ends_blue_and_tells_when_its_axis_does_not_begin_at_nothing() -> None:
    def row(label: str, begin: float, end: float, kind: str) -> WaterfallRow:
        return WaterfallRow(label=label, begin=begin, end=end, low=end - begin - 20, high=end - begin + 20, kind=kind)

    rows = [row("Quoted", 0, 4000, "start"), row("Weather", 4000, 3900, "step"), row("Dead", 3900, 3700, "act"),
            row("Measured", 0, 3700, "end")]  # fmt: skip
    figure = waterfall_figure(rows, start_label="quoted")
    bars = [to_hex(patch.get_facecolor()).upper() for patch in figure.axes[0].patches]
    assert (bars[0], bars[-1]) == (style.EXPECTED, style.MEASURED)
    assert to_hex(figure.axes[0].patches[2].get_edgecolor()).upper() == style.LOSS
    assert "does not begin at nothing" in figure.axes[0].get_xlabel()
    low = [*rows[:-2], row("Dead", 3900, 500, "act"), row("Measured", 0, 500, "end")]
    assert waterfall_figure(low, start_label="quoted").axes[0].get_xlabel() == "kWh"


def test_months_without_expected_energy_are_drawn() -> None:
    bars = [MonthBar(label=str(n), measured=100.0, expected=NAN if n == 1 else 110.0, low=NAN if n == 1 else 90.0,
                     high=NAN if n == 1 else 130.0, quoted=NAN) for n in range(3)]  # fmt: skip
    figure = months_figure(bars)
    assert sorted(labels(figure)) == ["expected", "likely range", "measured"]
    assert full_png(figure).startswith(b"\x89PNG")


def test_one_quantity_against_another_beside_a_like_unit() -> None:
    data = Against(
        x_label="string voltage, V", y_label="current, A", own_label="string s1", own=[(210.0, 4.0), (212.0, 6.0)],
        beside_label="string s2", beside=[(222.0, 4.0), (224.0, 6.0)],
    )  # fmt: skip
    figure = against_figure(data)
    (axes,) = figure.axes
    drawn = {c.get_label(): c.get_offsets().tolist() for c in axes.collections}
    assert drawn == {"string s1": [[210.0, 4.0], [212.0, 6.0]], "string s2": [[222.0, 4.0], [224.0, 6.0]]}
    rings = next(c for c in axes.collections if c.get_label() == "string s2")
    assert rings.get_facecolor().size == 0  # told from the dots in greyscale, too
    assert axes.get_xlabel() == "string voltage, V"


def test_every_kind_of_proof_has_its_picture() -> None:
    assert proof_figure(Against(x_label="", y_label="", own_label="", own=[(1.0, 1.0)])).axes
