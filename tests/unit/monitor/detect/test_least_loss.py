"""The least loss that is stated is the one that the detectors' own test finds."""

from __future__ import annotations

from datetime import date, timedelta

import numpy as np
import pytest

from ingest.readings import Values
from monitor.config.models import Site
from monitor.detect.change import find_drop
from monitor.detect.least_loss import USABLE_DAYS, least_losses
from monitor.detect.string_witnesses import PEER, VOLT
from monitor.detect.weak import CLEAR, Channel
from monitor.model.history import DayNote, SiteHistory

FIRST = date(2026, 1, 1)


def watched(traits: dict[str, Values], *, every: int = 1) -> tuple[SiteHistory, date]:
    known = SiteHistory()
    length = max(len(values) for values in traits.values())
    for n in range(length):
        seen = {name: float(values[n]) for name, values in traits.items() if n < len(values)}
        day = FIRST + timedelta(n * every)
        rows = [DayNote(day, f"string:{s}", 9.0, 8.0, 10.0, 1.0, seen, 9.0) for s in ("s1", "s2")]
        known.add([*rows, DayNote(day, "site", None, None, None, 1.0, {})])
    return known, FIRST + timedelta((length - 1) * every)


def is_found(values: Values, channel: Channel, size: float) -> bool:
    later = np.r_[values, values[-USABLE_DAYS:] - size]
    drop = find_drop(np.arange(later.size), later, channel.prior)
    return drop is not None and drop.size <= -channel.least_size and drop.strength >= channel.strength


@pytest.mark.parametrize("sigma", [0.004, 0.02, 0.05])
@pytest.mark.parametrize("channel", [VOLT, PEER, CLEAR])
def test_a_loss_half_as_large_again_is_found_and_a_much_smaller_one_is_not(
    site: Site, sigma: float, channel: Channel
) -> None:
    larger, smaller = [], []
    for seed in range(12):
        values = sigma * np.random.default_rng(seed).standard_normal(150)
        traits = {channel.trait: values} | ({"peer_mid": np.zeros(1)} if channel is VOLT else {})
        history, last = watched(traits)
        limit = next(x for x in least_losses(site, history, last) if x.subject == "string:s1")
        (witness,) = [w for w in limit.witnesses if w.least_loss is not None]
        assert witness.least_loss is not None
        size = -float(np.log1p(-witness.least_loss))
        larger.append(is_found(values, channel, 1.5 * size))
        smaller.append(is_found(values, channel, 0.5 * size))
    assert np.mean(larger) >= 0.9
    assert np.mean(smaller) <= 0.1


def test_a_young_site_is_learning_and_says_until_when(site: Site) -> None:
    history, last = watched({"peer_mid": np.zeros(15)}, every=2)
    limit = least_losses(site, history, last)[0]
    assert limit.state == "learning"
    assert limit.witnesses[0].least_loss is None
    assert limit.witnesses[0].from_day is not None
    assert (limit.witnesses[0].from_day - last).days == pytest.approx(20, abs=2)  # ten more, every second day


def test_where_no_trait_came_for_months_nothing_is_promised(site: Site) -> None:
    history, last = watched({"level": np.ones(120)})
    limit = least_losses(site, history, last)[0]
    assert (limit.state, limit.witnesses) == ("unseen", ())


def test_noisier_data_hide_larger_losses(site: Site) -> None:
    found = []
    for sigma in (0.002, 0.01, 0.04):
        history, last = watched({"peer_mid": sigma * np.random.default_rng(1).standard_normal(150)})
        found.append(least_losses(site, history, last)[0].witnesses[0].least_loss)
    assert found == sorted(found)  # type: ignore[type-var]
    assert found[0] is not None
    assert found[0] >= 1.0 - np.exp(-PEER.least_size)
