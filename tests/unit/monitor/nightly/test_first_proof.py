"""The one picture that proves a finding, and what is said of it."""

from __future__ import annotations

from datetime import date

import pytest

from monitor.nightly.first_proof import in_numbers, lower_voltage
from monitor.report.proof.against import Against
from monitor.report.proof.side_by_side import TellingDay

DAYS = [date(2026, 6, 1), date(2026, 6, 3)]
NAN = float("nan")


def test_a_lower_voltage_is_shown_beside_the_like_string_and_told_in_volts() -> None:
    points = {"s1": [(210.0, 4.0), (212.0, 8.0), (211.0, 6.0)], "s2": [(223.0, 4.0), (224.0, 8.0), (226.0, 6.0)]}
    proof = lower_voltage(points, DAYS)
    assert proof is not None
    data, alt = proof
    assert isinstance(data, Against)
    assert (data.own_label, data.own, data.beside_label) == ("string s1", points["s1"], "string s2")
    assert alt == (
        "Current against voltage of string s1 beside string s2 on 1 Jun 2026 and 3 Jun 2026: at like currents its "
        "voltage is about 13 V lower (211 V beside 224 V in the middle)."
    )


def test_points_that_prove_no_lower_voltage_make_no_picture() -> None:
    assert lower_voltage({"s1": [(224.0, 4.0)], "s2": [(223.0, 4.0)]}, DAYS) is None
    assert lower_voltage({"s1": [(210.0, 4.0)], "s2": []}, DAYS) is None


@pytest.mark.parametrize(
    ("others", "expected", "told"),
    [
        ((("s2", [2.0, 4.0, 8.0]),), None, "Beside it: it reached 50% of what the other did."),
        ((("s2", [2.0, 4.0, 8.0]), ("s3", [4.0, 8.0, NAN])), None, "reached 33% of what the others did in the mean."),
        ((), [4.0, 8.0, NAN], "it reached 25% of what was expected."),
        ((), None, "Beside it."),
    ],
)
def test_a_day_is_told_in_numbers(
    others: tuple[tuple[str, list[float]], ...], expected: list[float] | None, told: str
) -> None:
    day = TellingDay(
        day=DAYS[0], measure="A", hours=[10.0, 11.0, 12.0], own_label="s1", own=[1.0, 2.0, 4.0], others=others,
        expected=expected,
    )  # fmt: skip
    assert in_numbers(day, "Beside it.").endswith(told)
