"""`[handover]` in a site file: what it may say, and how its mistakes are told."""

from __future__ import annotations

from pathlib import Path

import pytest

from monitor.config import load_fleet

GOOD = """
[handover]
date = 2025-06-01
irradiance_w_m2 = 780
module_temperature_c = 41.5
[[handover.string]]
id = "s1"
voc_v = 360
insulation_mohm = 150
"""


def write(folder: Path, text: str) -> None:
    path = folder / "sites/larkrise.toml"
    path.write_text(path.read_text() + text)


def test_it_is_read_and_may_leave_values_out(fleet_folder: Path) -> None:
    write(fleet_folder, GOOD)
    told = load_fleet(fleet_folder).site("larkrise").handover
    assert told is not None
    assert (told.irradiance_w_m2, told.string[0].voc_v, told.string[0].imp_a) == (780.0, 360.0, None)


@pytest.mark.parametrize(
    ("text", "fault"),
    [
        ("[handover]\nirradiance_w_m2 = 700\n", "sites/larkrise.toml: handover.date: missing; expected this key"),
        (
            "[handover]\ndate = 2025-06-01\nirradiance = 700\n",
            "handover.irradiance: unknown key; did you mean irradiance_w_m2?",
        ),
        (GOOD.replace("360", "-1"), "handover.string[0].voc_v = -1: input should be greater than 0"),
        (GOOD.replace('"s1"', '"s9"'), "handover.string[0].id = 's9': expected one that this site has: s1"),
        (GOOD + '[[handover.string]]\nid = "s1"\n', "handover.string: id 's1' is used twice; expected every id once"),
    ],
)  # fmt: skip
def test_a_mistake_names_file_key_and_what_was_expected(fleet_folder: Path, text: str, fault: str) -> None:
    write(fleet_folder, text)
    (told,) = load_fleet(fleet_folder).faults
    assert told.startswith("sites/larkrise.toml: handover")
    assert fault in told


def test_the_example_shows_every_key() -> None:
    site = load_fleet(Path(__file__).resolve().parents[4] / "config/fleet").site("larkrise")
    assert site.handover is not None
    assert all(value is not None for value in site.handover.string[0].model_dump().values())
