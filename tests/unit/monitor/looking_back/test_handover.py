"""Handover values beside the logs of like light, on a roof whose volts and amps are known by hand."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import replace
from datetime import date
from pathlib import Path

import pytest

from monitor.config import Fleet, load_fleet
from monitor.jobs.ingesting import ingest_fleet
from monitor.looking_back.handover import compare_handover
from monitor.report.callback.pack import HandoverLine
from monitor.report.callback.parts_told import handover_words
from monitor.store import Store

LAST = date(2025, 6, 2)
SECOND = """
[[string]]
id = "s2"
inverter = "inv1"
plane = "south"
modules = 10
[string.module]
pmp_w = 400
vmp_v = 31.0
imp_a = 12.9
voc_v = 37.2
isc_a = 13.7
gamma_pmp_pct_per_c = -0.40

[handover]
date = 2025-06-01
irradiance_w_m2 = 500
module_temperature_c = 45
[[handover.string]]
id = "s1"
vmp_v = 285.2
imp_a = 5.0
[[handover.string]]
id = "s2"
isc_a = 5.31
"""
COLUMNS = """  { column = "v1", quantity = "dc_voltage", of = "string:s1", unit = "V" },
  { column = "a1", quantity = "dc_current", of = "string:s1", unit = "A" },
  { column = "v2", quantity = "dc_voltage", of = "string:s2", unit = "V" },
  { column = "a2", quantity = "dc_current", of = "string:s2", unit = "A" },
  { column = "light", quantity = "irradiance_poa", of = "site", unit = "W/m2" },
  { column = "heat", quantity = "temperature_module", of = "site", unit = "degC" },
]
"""


@pytest.fixture
def lit(fleet_folder: Path, noon_after: int) -> Iterator[tuple[Fleet, Store]]:
    """Strings at about 310 V and 25 degrees (nothing stands still); s1 gives 1 A, s2 0.9 A per 100 W/m2."""
    path = fleet_folder / "sites/larkrise.toml"
    text = path.read_text().replace("[[source]]", f"{SECOND}\n[[source]]")
    head, _, tail = text.rpartition("]\n")
    path.write_text(head + COLUMNS + tail)
    for day in ("20250601", "20250602"):
        file = fleet_folder / f"incoming/larkrise/inv1_{day}.csv"
        lines = file.read_text().splitlines()
        made = [line.partition(",")[::2] for line in lines[1:]]
        rows = []
        for n, (time, text) in enumerate(made):
            watts, volts, heat = int(text), 310.0 + 0.1 * (n % 3 - 1), 25.0 + 0.2 * (n % 3 - 1)
            rows.append(
                f"{time},{watts},{volts},{watts / 400:.3f},{volts},{0.9 * watts / 400:.4f},{watts / 4:.2f},{heat}"
            )
        file.write_text("\n".join([f"{lines[0]},v1,a1,v2,a2,light,heat", *rows]) + "\n")
    fleet = load_fleet(fleet_folder)
    store = Store.open(fleet.settings.store.url, fleet.folder)
    ingest_fleet(fleet, store, now=noon_after)
    yield fleet, store
    store.close()


def lines_of(lit: tuple[Fleet, Store]) -> dict[tuple[str, str], HandoverLine]:
    fleet, store = lit
    assert fleet.faults == ()
    with store.read() as conn:
        found = compare_handover(conn, fleet.site("larkrise"), [], LAST)
    return {(line.string, line.quantity): line for line in found}


def test_today_is_brought_to_the_light_and_heat_of_the_handover(lit: tuple[Fleet, Store]) -> None:
    found = lines_of(lit)
    assert found.keys() == {("s1", "voltage"), ("s1", "current"), ("s2", "current")}
    volts, amps = found["s1", "voltage"], found["s1", "current"]
    # 310 V at 25 degrees are 310 (1 - 0.0034 * 20) = 288.9 V at 45; 1 A per 100 W/m2 are 5 A at 500.
    assert volts.today == pytest.approx(288.92, abs=0.1)
    assert volts.change == pytest.approx(288.92 / 285.2 - 1.0, abs=1e-3)
    assert amps.today == pytest.approx(5.0, abs=0.01)
    assert (amps.light, amps.is_indirect) == ("its sensor", False)
    assert amps.quarters >= 8


def test_a_short_circuit_current_tells_by_the_nameplate(lit: tuple[Fleet, Store]) -> None:
    amps = lines_of(lit)["s2", "current"]
    assert amps.is_indirect
    assert amps.at_handover == pytest.approx(5.31 * 12.9 / 13.7)
    assert amps.today == pytest.approx(4.5, abs=0.01)


def test_a_string_is_judged_beside_the_other_of_its_plane(lit: tuple[Fleet, Store]) -> None:
    weak = lines_of(lit)["s2", "current"]
    assert weak.beside == pytest.approx((4.5 / 5.0) - 1.0, abs=0.005)
    assert handover_words(weak) == "10.0% lower than at handover, beside the plane's other strings"
    assert handover_words(replace(weak, beside=0.25)) == (
        "the plane's other strings have come down by 20.0% beside it since handover"
    )
    assert handover_words(replace(weak, beside=-0.02)) == "as at handover, beside the plane's other strings"


def test_a_string_alone_is_judged_within_the_doubt_of_the_light(lit: tuple[Fleet, Store]) -> None:
    alone = replace(lines_of(lit)["s1", "current"], beside=None, low=4.5, high=5.5)
    within = "as at handover, within what light and temperature leave open"
    assert handover_words(replace(alone, at_handover=5.4)) == within
    assert handover_words(replace(alone, at_handover=6.0)) == "lower than at handover"
    assert handover_words(replace(alone, is_held=True)).startswith("held back, not weak")
