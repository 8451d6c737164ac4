"""Evidence in words, whatever a detector or an older version left in it."""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

import pytest

from monitor.detect.finding import Finding
from monitor.report.board.evidence import _ROWS, evidence_words, other_cause

FIGURES = {"azimuth_deg": 267.1, "elevation_deg": 32.4, "loss_fraction": 0.036, "trait": "peer_mid", "shape": "ramp"}


def test_figures_are_said_with_their_units(make_finding: Callable[..., Finding]) -> None:
    assert evidence_words(make_finding(evidence=FIGURES)) == (
        ("Missing of what it should make", "4%"),
        ("Told by", "power of a sibling"),
        ("How it came", "slowly, over weeks"),
        ("Direction of the new shade", "267 degrees from north, west"),
        ("Its top above the horizon", "32 degrees"),
    )


def test_a_module_is_held_against_the_other_modules(make_finding: Callable[..., Finding]) -> None:
    told = evidence_words(make_finding(subject="module:s1/04", evidence={"trait": "peer_mid"}))
    assert told == (("Told by", "power of the other modules"),)


def test_witnesses_are_added_up(make_finding: Callable[..., Finding]) -> None:
    told = evidence_words(make_finding(evidence={"witnesses_made_kwh": {"string:s1": 3.25, "string:s2": 4.0}}))
    assert told == (("Made meanwhile by those beside it", "7.2 kWh"),)


@pytest.mark.parametrize("value", [None, "text", [1.0], {}, float("nan"), {"a": "b"}, True, 3])
def test_no_value_of_any_kind_breaks_a_page(make_finding: Callable[..., Finding], value: Any) -> None:
    told = evidence_words(make_finding(evidence=dict.fromkeys([*_ROWS, "cells", "units"], value)))
    assert all(isinstance(text, str) and text for row in told for text in row)
    if value in (None, [1.0], {}) or value != value:
        assert told == ()


def test_what_is_of_the_household_has_no_words() -> None:
    assert not {key for key in _ROWS if "house" in key or "export" in key or "import" in key}


@pytest.mark.parametrize(
    ("confidence", "others", "words"),
    [(0.55, {"soiling": 0.3, "snow": 0.1}, "dirt (30%)"), (0.98, {"soiling": 0.02}, ""), (0.55, {}, "")],
)
def test_another_cause(
    make_finding: Callable[..., Finding], confidence: float, others: dict[str, float], words: str
) -> None:
    assert other_cause(make_finding(confidence=confidence, evidence={"other_causes": others})) == words
