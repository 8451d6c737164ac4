"""Papers against power: what a person is told, and what the model uses."""

from __future__ import annotations

from dataclasses import replace

import pytest

from monitor.model.as_installed import as_installed, doubt
from monitor.model.orientation import OrientationFit

FIT = OrientationFit(
    tilt_deg=33.0, azimuth_deg=214.0, tilt_sigma=1.5, azimuth_sigma=3.0, scale=0.98, days=22, windows=500,
    residual=0.01, better_than_stated=200.0, clock_doubt_s=0.0, trusted=True, why_not="",
)  # fmt: skip


def test_doubt_names_both_azimuths_and_the_days() -> None:
    assert doubt((35.0, 180.0), FIT) == (
        "the site file says azimuth 180; the power of 22 clear days looks like 214 (±4): check the plan or the sign "
        "convention"
    )


@pytest.mark.parametrize(
    ("stated", "words"),
    [(34.0, "counted from south"), (146.0, "counted anticlockwise from north"), (326.0, "anticlockwise from south")],
)
def test_doubt_sees_the_usual_conventions(stated: float, words: str) -> None:
    said = doubt((35.0, stated), FIT)
    assert said is not None
    assert words in said


def test_doubt_of_the_tilt_and_of_both() -> None:
    assert "tilt 10; the power of 22 clear days looks like 33 (±2)" in (doubt((10.0, 214.0), FIT) or "")
    assert "tilt 10 and azimuth 180; " in (doubt((10.0, 180.0), FIT) or "")


def test_doubt_speaks_of_the_clock_where_that_would_do() -> None:
    said = doubt((33.0, 180.0), replace(FIT, trusted=False, clock_doubt_s=3550.0))
    assert said is not None
    assert "or its log's clock is about 59 minutes fast: check the time zone" in said


@pytest.mark.parametrize(
    ("stated", "fit"),
    [
        ((33.0, 200.0), FIT),  # less than 15 degrees
        ((33.0, 180.0), replace(FIT, trusted=False, why_not="few clear days")),
        ((33.0, 180.0), replace(FIT, azimuth_sigma=20.0)),  # not sure
        ((2.0, 90.0), replace(FIT, tilt_deg=3.0)),  # level: any azimuth is right
        ((33.0, 359.0), replace(FIT, azimuth_deg=2.0)),  # over north
    ],
)  # fmt: skip
def test_no_doubt(stated: tuple[float, float], fit: OrientationFit) -> None:
    assert doubt(stated, fit) is None


def test_small_errors_of_papers_are_mostly_put_right() -> None:
    tilt, azimuth = as_installed((36.0, 207.0), FIT)
    assert 33.0 < tilt < 34.0
    assert 212.0 < azimuth < 214.0


def test_papers_wrong_altogether_do_not_pull() -> None:
    assert as_installed((35.0, 110.0), FIT) == pytest.approx((33.0, 214.0), abs=0.1)


def test_pull_goes_the_short_way_over_north() -> None:
    _, azimuth = as_installed((33.0, 355.0), replace(FIT, azimuth_deg=3.0))
    assert azimuth < 3.0
    assert azimuth > 0.0


def test_papers_stay_where_the_fit_is_not_trusted_or_hardly_better() -> None:
    stated = (36.0, 207.0)
    assert as_installed(stated, replace(FIT, trusted=False)) == stated
    assert as_installed(stated, replace(FIT, better_than_stated=2.0)) == stated


def test_an_unknown_azimuth_leaves_that_of_the_papers() -> None:
    _, azimuth = as_installed((5.0, 180.0), replace(FIT, tilt_deg=2.0, azimuth_deg=220.0, azimuth_sigma=60.0))
    assert azimuth == pytest.approx(180.0, abs=1.5)
