"""Words: every cause has some, and numbers are said as people say them."""

from __future__ import annotations

from datetime import date
from typing import get_args

import pytest

from monitor.detect.finding import Level
from monitor.report import style
from monitor.report.words import CAUSES, LEVELS, about_kwh, kwh, one_line, span_words, sure_words

PROMISED = {
    "failed_string", "underperforming_string", "underperforming_module", "shading_growth", "soiling",
    "inverter_outage", "grid_voltage_trip", "missing_data", "data_fault", "clock_error", "meter_disagreement",
    "energy_imbalance", "battery_fault", "diverter_fault", "charger_fault", "clipping", "export_limiting", "snow",
}  # fmt: skip


def test_every_cause_and_level_has_its_own_words() -> None:
    assert set(CAUSES) == PROMISED
    assert len(set(CAUSES.values())) == len(CAUSES)
    assert set(LEVELS) == set(get_args(Level))
    assert not any("_" in words for words in CAUSES.values())


@pytest.mark.parametrize(
    ("energy", "said"),
    [(0.04, "0.0"), (8.44, "8.4"), (9.97, "10"), (43.4, "43"), (432.0, "430"), (1234.0, "1,250"), (12_449.0, "12,400")],
)
def test_energy_as_people_say_it(energy: float, said: str) -> None:
    assert about_kwh(energy) == said


def test_no_negative_zero() -> None:
    assert kwh(-0.01) == "0.0"


@pytest.mark.parametrize(
    ("confidence", "said"),
    [(1.0, "practically certain (99%)"), (0.93, "quite sure (93%)"), (0.7, "likely (70%)"), (0.4, "a suspicion (40%)")],
)
def test_certainty_is_never_claimed(confidence: float, said: str) -> None:
    assert sure_words(confidence) == said


@pytest.mark.parametrize(
    ("first", "last", "said"),
    [
        (date(2026, 8, 3), date(2026, 8, 3), "On 3 August"),
        (date(2026, 8, 3), date(2026, 8, 9), "From 3 to 9 August"),
        (date(2026, 7, 28), date(2026, 8, 9), "From 28 July to 9 August"),
        (date(2025, 12, 28), date(2026, 1, 9), "From 28 December 2025 to 9 January"),
    ],
)
def test_spans(first: date, last: date, said: str) -> None:
    assert span_words(first, last) == said


def test_outside_text_becomes_one_visible_line() -> None:
    assert one_line("a\r\nb\u202ec\u0000d\u2028e\u200bf\x85g") == "a bcd ef g"
    assert one_line("x" * 50, 10) == "x" * 9 + "…"


def luminance(colour: str) -> float:
    """Relative luminance by WCAG 2.1."""
    parts = [int(colour[i : i + 2], 16) / 255 for i in (1, 3, 5)]
    linear = [p / 12.92 if p <= 0.03928 else ((p + 0.055) / 1.055) ** 2.4 for p in parts]
    return sum(weight * part for weight, part in zip((0.2126, 0.7152, 0.0722), linear, strict=True))


def contrast(one: str, other: str) -> float:
    """Contrast ratio by WCAG 2.1."""
    dark, light = sorted((luminance(one), luminance(other)))
    return (light + 0.05) / (dark + 0.05)


def test_contrast_of_black_on_white() -> None:
    assert contrast("#000000", "#FFFFFF") == pytest.approx(21.0)


@pytest.mark.parametrize("colours", [style.LIGHT, style.DARK], ids=["light", "dark"])
@pytest.mark.parametrize("ground", ["page", "sheet", "tint"])
@pytest.mark.parametrize("text", ["ink", "soft"])
def test_text_can_be_read(colours: dict[str, str], ground: str, text: str) -> None:
    assert contrast(colours[text], colours[ground]) >= 4.5


@pytest.mark.parametrize("colour", [style.MEASURED, style.EXPECTED_EDGE, style.LOSS, style.QUIET_LOSS])
def test_marks_of_pictures_stand_out_from_white(colour: str) -> None:
    assert contrast(colour, "#FFFFFF") >= 3.0


def test_a_loss_stands_out_beside_a_card() -> None:
    assert contrast(style.LOSS, style.LIGHT["sheet"]) >= 3.0
    assert contrast(style.LOSS, style.DARK["sheet"]) >= 3.0
