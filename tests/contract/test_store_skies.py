"""What keeping looks and sky maps promises, on both databases."""

from __future__ import annotations

from dataclasses import fields
from datetime import date, timedelta

import numpy as np
import pytest

from monitor.model.learned_sky import KeptLooks, LearnedSky, kept
from monitor.model.looks import DayLooks
from monitor.model.skycells import CELLS
from monitor.model.skymap import SkyMap
from monitor.store import Store
from monitor.store.skies import (
    as_stored,
    drop_skies,
    first_looks,
    pack_looks,
    read_looks,
    read_maps,
    unpack_looks,
    write_looks,
    write_maps,
)

DAYS = [date(2026, 3, 28) + timedelta(n) for n in range(4)]


def looks(subject: str, day: date, count: int = 12) -> KeptLooks:
    rng = np.random.default_rng([day.toordinal(), count])
    parts = (rng.uniform(-0.3, 1.4, count), *(rng.uniform(0.05, 1.0, count) for _ in range(4)))
    return kept(subject, DayLooks(day, rng.integers(0, CELLS, count), *parts), gain=0.93, healthy=count != 3)


def sky(subject: str, day: date, seed: int) -> LearnedSky:
    rng = np.random.default_rng(seed)
    seen = rng.random(CELLS) < 0.4
    shade = np.where(seen & (rng.random(CELLS) < 0.3), rng.random(CELLS), 1.0)
    days = np.where(seen, rng.integers(1, 40, CELLS), 0)
    frozen = seen & (rng.random(CELLS) < 0.5)
    return LearnedSky(
        subject, 0, day, SkyMap(52.1, shade, np.sqrt(shade), days, days // 2, frozen, ~frozen & seen), 0.99, 0.9
    )


def same(a: LearnedSky, b: LearnedSky) -> bool:
    flat = (a.subject, a.epoch, a.learned_until, a.clear, a.energy) == (
        b.subject, b.epoch, b.learned_until, b.clear, b.energy,
    )  # fmt: skip
    return flat and all(
        np.array_equal(getattr(a.sky_map, f.name), getattr(b.sky_map, f.name)) for f in fields(a.sky_map)
    )


def alike(a: KeptLooks, b: KeptLooks) -> bool:
    return (a.subject, a.day, a.gain, a.healthy) == (b.subject, b.day, b.gain, b.healthy) and bool(
        np.array_equal(a.record, b.record)
    )


def test_looks_come_back_day_by_day_and_to_the_last_digit(store: Store) -> None:
    told = {d: [looks("string:s1", d), looks("module:s1/01", d, 3)] for d in DAYS}
    with store.write() as conn:
        for day in DAYS[::-1]:
            write_looks(conn, {"larkrise": told[day], "elsewhere": [looks("inverter:inv1", day, 5)]}, day)
        found = read_looks(conn, "larkrise", last=DAYS[2])
        assert first_looks(conn, "larkrise") == DAYS[0]
        assert first_looks(conn, "nowhere") is None
    expected = [one for day in DAYS[:3] for one in told[day]]
    assert len(found) == len(expected)
    assert all(alike(a, b) for a, b in zip(found, expected, strict=True))


def test_a_day_without_looks_is_a_payload_too() -> None:
    assert unpack_looks(DAYS[0], pack_looks([])) == []
    (one,) = unpack_looks(DAYS[0], pack_looks([looks("string:s1", DAYS[0], 0)]))
    assert one.record.size == 0


def test_a_payload_of_another_format_is_refused() -> None:
    with pytest.raises(ValueError, match="format 07, expected 01"):
        unpack_looks(DAYS[0], b"\x07" + pack_looks([])[1:])


def test_the_newest_map_that_a_night_may_know_is_read(store: Store) -> None:
    skies = [sky("string:s1", DAYS[0], 1), sky("string:s1", DAYS[2], 2), sky("string:s2", DAYS[1], 3)]
    with store.write() as conn:
        write_maps(conn, "larkrise", skies)
        write_maps(conn, "elsewhere", [sky("string:s1", DAYS[1], 4)])
        assert read_maps(conn, {"larkrise": DAYS[0]}) == {}
        early = read_maps(conn, {"larkrise": DAYS[2]})["larkrise"]
        late = read_maps(conn, {"larkrise": DAYS[3], "elsewhere": DAYS[1]})["larkrise"]
        assert read_maps(conn, {"larkrise": DAYS[3], "elsewhere": DAYS[1]}).keys() == {"larkrise"}
    assert early.keys() == late.keys() == {"string:s1", "string:s2"}
    assert same(early["string:s1"], as_stored(skies[0]))
    assert same(late["string:s1"], as_stored(skies[1]))
    assert same(late["string:s2"], as_stored(skies[2]))
    assert np.abs(late["string:s1"].sky_map.leafy - skies[1].sky_map.leafy).max() <= 0.0005


def test_what_the_store_gives_back_is_kept_without_loss() -> None:
    once = as_stored(sky("string:s1", DAYS[0], 5))
    assert same(as_stored(once), once)


def test_a_rewind_leaves_what_was_learned_from_earlier_days_alone(store: Store) -> None:
    skies = [sky("string:s1", day, n) for n, day in enumerate(DAYS)]
    with store.write() as conn:
        write_maps(conn, "larkrise", skies)
        write_maps(conn, "elsewhere", skies[3:])
        for day in DAYS:
            write_looks(conn, {"larkrise": [looks("string:s1", day)]}, day)
        drop_skies(conn, "larkrise", from_day=DAYS[2])
        left = read_maps(conn, dict.fromkeys(("larkrise", "elsewhere"), date(2030, 1, 1)))
        assert same(left["larkrise"]["string:s1"], as_stored(skies[1]))
        assert same(left["elsewhere"]["string:s1"], as_stored(skies[3]))
        assert [one.day for one in read_looks(conn, "larkrise", last=DAYS[3])] == DAYS[:2]
