"""The one picture that proves a finding, and what is said of it."""

from __future__ import annotations

from datetime import date, timedelta

import pytest

from monitor.looking_back.first_proof import house_balance, in_numbers, lower_voltage
from monitor.model.history import DayNote, SiteHistory
from monitor.report.proof.against import Against
from monitor.report.proof.side_by_side import TellingDay
from tests.unit.monitor.report.test_waterfall import finding

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


def test_a_sensor_the_wrong_way_round_shows_in_what_the_house_would_use() -> None:
    history = SiteHistory()
    for n in range(-10, 4):
        made = 20.0 + n
        used = 10.0 if n < 0 else 10.0 + made
        day = DAYS[0] + timedelta(days=n)
        history.add([DayNote(day, "meter:grid1", None, None, None, 1.0, {"made_kwh": made, "house_kwh": used})])
    wrong = finding("a", "energy_imbalance", subject="meter:grid1", since=DAYS[0], last_seen=DAYS[1])
    proof = house_balance(history, wrong, DAYS[1])
    assert proof is not None
    data, alt = proof
    assert isinstance(data, Against)
    assert data.own == [(20.0, 30.0), (21.0, 31.0), (22.0, 32.0)]
    assert len(data.beside) == 10
    assert alt.endswith("day by day: between 30 and 32 kWh a day since 1 Jun 2026.")
    assert house_balance(SiteHistory(), wrong, DAYS[1]) is None
