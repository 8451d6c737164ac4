"""The service team's advice, taken apart."""

from __future__ import annotations

from collections.abc import Callable

import pytest

from monitor.config.models import Site
from monitor.detect.finding import Finding
from monitor.detect.telling.phrases import ROOF_CAUTION
from monitor.detect.words import WORDS, advice
from monitor.report.steps import steps_of

EVIDENCE = {
    "azimuth_deg": 250.0, "elevation_deg": 30.0, "lost_kwh_per_year": 50.0, "loss_fraction": 0.1, "level_w": 3000.0,
    "rated_ac_w": 3600.0, "fault": "unit",
}  # fmt: skip


def test_desk_site_and_bag() -> None:
    steps = steps_of(
        "First, remotely: look at the log. Ask the customer. On site: measure it. Then look. Bring a meter. "
        + ROOF_CAUTION
    )
    assert (steps.remote, steps.on_site, steps.bring) == (
        "Look at the log. Ask the customer.",
        "Measure it. Then look.",
        "A meter.",
    )
    assert steps.needs_care


def test_advice_of_one_piece_stays_one() -> None:
    steps = steps_of("Look at its voltage.")
    assert (steps.remote, steps.on_site, steps.bring, steps.needs_care) == ("Look at its voltage.", "", "", False)


@pytest.mark.parametrize("cause", sorted(WORDS))
def test_nothing_of_any_advice_is_lost(
    cause: str, make_site: Callable[..., Site], make_finding: Callable[..., Finding]
) -> None:
    subject = "inverter:inv1" if cause == "inverter_outage" else "string:s1"
    text = advice(make_site(), make_finding(cause=cause, subject=subject, evidence=EVIDENCE))["service"]
    steps = steps_of(text)
    assert steps.remote
    assert steps.needs_care is (ROOF_CAUTION in text)
    said = " ".join((steps.remote, steps.on_site, steps.bring)).lower().split()
    left = text.replace(ROOF_CAUTION, "").lower().split()
    dropped = [word for word in left if word not in said]
    assert set(dropped) <= {
        "first,",
        "remotely:",
        "on",
        "site:",
        "bring",
        "check",
        "remotely",
        "before",
        "anything",
        "else:",
    }
