"""What a drafted column says, from a file of four days; nothing is decided that could be otherwise."""

from __future__ import annotations

import tomllib
from datetime import UTC, datetime, timedelta
from typing import Any

import numpy as np
import pytest

from ingest.draft.draft import Question, draft_source
from ingest.draft.proposal import Draft, Roof

START = datetime(2026, 6, 12, tzinfo=UTC)
HOURS = np.arange(0, 4 * 24, 0.25)
SUN = np.maximum(np.sin(2 * np.pi * (HOURS / 24 - 0.25)), 0.0)
POWER_W = np.round(3100 * SUN, 0)
COUNTER_KWH = np.round(512.3 + np.cumsum(POWER_W) / 4000, 2)
LATEST = int(datetime(2027, 1, 1, tzinfo=UTC).timestamp())


def draft(roof: Roof | None, name: str = "export.csv", **columns: Any) -> Draft:
    """Draft a source for columns by their names, `_` for a blank."""
    names = [n.replace("__", "/").replace("_", " ") for n in columns]
    stamps = [f"{START + timedelta(hours=float(h)):%Y-%m-%dT%H:%M:%SZ}" for h in HOURS]
    rows = zip(stamps, *(list(values) for values in columns.values()), strict=True)
    text = "\n".join([",".join(["time", *names]), *(",".join(map(str, row)) for row in rows), ""])
    return draft_source(text.encode(), Question(name, True, roof, LATEST))


def only(found: Draft) -> dict[str, str]:
    """The one decided column."""
    (column,) = tomllib.loads(found.toml)["source"][0]["columns"]
    return dict(column)


def is_open(found: Draft, told: str) -> bool:
    """Whether nothing was decided, and a line says why."""
    source = tomllib.loads(found.toml)["source"][0]
    return not source.get("columns") and any(told in line for line in found.toml.splitlines() if line[:1] == "#")


@pytest.mark.parametrize(
    ("name", "values", "quantity", "of", "unit", "reads"),
    [
        ("String_2_V", 350 * (SUN > 0) + 5 * SUN, "dc_voltage", "string:s2", "V", "mean"),
        ("I_dc_1_[A]", np.round(9 * SUN, 2), "dc_current", "string:s1", "A", "mean"),
        ("AC_power_2_W", POWER_W - 4, "ac_power", "inverter:inv2", "W", "mean"),
        ("inv1_AC_power", POWER_W, "ac_power", "inverter:inv1", "W", "mean"),
        ("inv1_AC_power", POWER_W / 1000, "ac_power", "inverter:inv1", "kW", "mean"),
        ("gen1_register_kWh", COUNTER_KWH, "ac_energy", "meter:gen1", "kWh", "counter"),
        ("gen1_register", COUNTER_KWH, "ac_energy", "meter:gen1", "kWh", "counter"),
        ("gen1_register", COUNTER_KWH * 1000, "ac_energy", "meter:gen1", "Wh", "counter"),
        ("inv1_energy_kWh", POWER_W / 4000, "ac_energy", "inverter:inv1", "kWh", "interval"),
        ("Netzbezug_kWh", np.round(100 + np.cumsum(0.05 + 0.02 * SUN), 2), "import_energy", "meter:grid", "kWh",
         "counter"),
        ("Einspeisung_kW", POWER_W / 1500, "export_power", "meter:grid", "kW", "mean"),
        ("Mains_volts_inv1", 238 + SUN, "ac_voltage", "inverter:inv1", "V", "mean"),
        ("T_mod", np.round(8 + 40 * SUN, 1), "temperature_module", "site", "degC", "mean"),
        ("ghi", np.round(900 * SUN), "irradiance_ghi", "site", "W/m2", "mean"),
        ("Ladezustand_%", np.round(20 + 70 * SUN), "battery_soc", "battery", "%", "mean"),
    ],
)  # fmt: skip
def test_decided(roof: Roof, name: str, values: Any, quantity: str, of: str, unit: str, reads: str) -> None:
    column = only(draft(roof, **{name: values}))
    assert column == {"column": name.replace("_", " "), "quantity": quantity, "of": of, "unit": unit} | (
        {"reads": reads} if reads != "mean" else {}
    )


@pytest.mark.parametrize(
    ("name", "values", "told"),
    [
        ("Power_1_W", POWER_W, "ac_power or dc_power"),
        ("AC_power_W", POWER_W, "of: inverter:inv1 or inverter:inv2 or meter:gen1"),
        ("inv1_AC_power_W", COUNTER_KWH, "the numbers only rise as a counter's"),
        ("inv1_AC_power_kWh", POWER_W, "the name says power, its unit is of energy"),
        ("inv1_AC_power", np.round(2 * SUN), "unit: W or kW"),
        ("inv1_AC_power_W", POWER_W[::-1].copy() * 0 + 500, "it does not follow the light"),
        ("String_1_V", 238 + SUN, "steady day and night as a grid's"),
        ("String_1_V", 30_000 * SUN, "unit: dc_voltage of"),
        ("Grid_power_inv1_W", POWER_W, "ac_power, import_power or export_power"),
        ("Battery_power_W", POWER_W - 1500, "sign: ours is discharge positive"),
        ("T_mod", 60 + 40 * SUN, "unit: degC?"),
        ("inv1_AC_power_max_W", POWER_W, "left out: inv1 AC power max W"),
        ("House_consumption_W", POWER_W, "left out: House consumption W"),
        ("Total_energy_MWh", COUNTER_KWH, "MWh is no unit of ours"),
        ("inv1_AC_L1_voltage_V", 238 + SUN, "one phase of several"),
        ("Wallbox_power_W", POWER_W, "the site file has no part that this could be"),
    ],
)
def test_left_open(roof: Roof, name: str, values: Any, told: str) -> None:
    assert is_open(draft(roof, **{name: values}), told)


def test_of_two_counters_of_one_part_the_lifetimes_is_taken(roof: Roof) -> None:
    daily = np.concatenate([np.cumsum(day) for day in np.split(np.round(POWER_W / 4000, 3), 4)])
    found = draft(roof, "inv1_day.csv", inv1_energy_today_kWh=daily, inv1_energy_total_kWh=COUNTER_KWH)
    assert only(found)["column"] == "inv1 energy total kWh"
    assert "which column?" in found.toml


def test_the_unit_of_an_energy_follows_from_the_power_beside_it(roof: Roof) -> None:
    found = draft(roof, inv1_AC_power_W=POWER_W, inv1_energy_counter=COUNTER_KWH * 1000)
    units = [c["unit"] for c in tomllib.loads(found.toml)["source"][0]["columns"]]
    assert units == ["W", "Wh"]
    assert "agrees with the power beside it" in found.toml


def test_without_a_site_no_part_is_named() -> None:
    found = draft(None, String_1_V=350 * (SUN > 0) + 5 * SUN, ghi=900 * SUN)
    assert only(found) == {"column": "ghi", "quantity": "irradiance_ghi", "of": "site", "unit": "W/m2"}
    assert "no site is known (--site ID)" in found.toml
    assert found.open_lines == 1


def test_hostile_names_stay_within_their_line(roof: Roof) -> None:
    """A name with quotes, a comment sign and TOML of its own changes nothing but its own cell."""
    text = 'time,"ghi ""x\x85\u2028] #"\n' + "".join(f"2026-06-12T{h:02d}:00:00Z,{h}\n" for h in range(24))
    found = draft_source(text.encode(), Question('a\n"b.csv', True, roof, LATEST))
    assert tomllib.loads(found.toml)["source"][0]["kind"] == "table"


def test_thousands_marks_are_declared(roof: Roof) -> None:
    rows = "".join(f"2026-06-12T{h:02d}:00:00Z;1.2{h + 10},5\n" for h in range(24))
    found = draft_source(f"time;gen1 register kWh\n{rows}".encode(), Question("x.csv", True, roof, LATEST))
    assert tomllib.loads(found.toml)["source"][0]["text"] == {"decimal": ",", "thousands": "."}
