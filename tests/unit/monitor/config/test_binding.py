"""Whom a SunSpec device speaks of: as the site file says, or as the site leaves no choice."""

from __future__ import annotations

from copy import deepcopy
from pathlib import Path
from typing import Any

import pytest
from pydantic import ValidationError

from ingest.sources import Subjects, subjects_of
from monitor.config import Site, load_fleet

MODULE = {"pmp_w": 400, "vmp_v": 31.0, "imp_a": 12.9, "voc_v": 37.2, "isc_a": 13.7, "gamma_pmp_pct_per_c": -0.34}
BUS = {"id": "bus", "kind": "modbus_tcp", "interval_minutes": 5, "host": "localhost", "model": "sunspec"}


def site(
    inverters: dict[str, list[str]], meters: dict[str, str] | None = None, subjects: dict[str, Any] | None = None
) -> Site:
    """A site with these inverters and their strings, meters and their roles, and one polled device."""
    source = BUS if subjects is None else {**BUS, "subjects": subjects}
    given = {
        "site": {
            "id": "a", "name": "A", "latitude": 52.1, "longitude": -2.3, "timezone": "Europe/London",
            "commissioned": "2024-05-02",
        },
        "plane": [{"id": "south", "tilt_deg": 35, "azimuth_deg": 180}],
        "inverter": [{"id": one, "rated_ac_w": 3600} for one in inverters],
        "string": [
            {"id": s, "inverter": i, "plane": "south", "modules": 10, "module": MODULE}
            for i, strings in inverters.items() for s in strings
        ],
        "meter": [{"id": one, "role": role} for one, role in (meters or {}).items()],
        "source": [deepcopy(source)],
    }  # fmt: skip
    return Site.model_validate(given)


def bound(*given: Any) -> Subjects:
    (source,) = site(*given).source
    assert source.kind == "modbus_tcp"
    assert source.subjects is not None
    return source.subjects


ONE = {"inv1": ["s2", "s1"]}
TWO = {"inv1": ["s1", "s2"], "inv2": ["s3"]}
BOTH = {"gen1": "generation", "grid": "grid"}


def test_the_only_inverter_its_strings_and_the_only_meter_are_meant() -> None:
    expected = Subjects(inverter="inverter:inv1", inputs=("string:s2", "string:s1"), meter="meter:grid")
    assert bound(ONE, {"grid": "grid"}) == expected


@pytest.mark.parametrize("meters", [{}, {"gen1": "generation"}, BOTH])
def test_a_meter_that_is_not_the_only_one_or_whose_direction_is_open_is_not_meant(meters: dict[str, str]) -> None:
    assert bound(ONE, meters).meter is None


def test_the_strings_of_a_named_inverter_are_its_inputs() -> None:
    assert bound(TWO, {}, {"inverter": "inverter:inv2"}) == Subjects(inverter="inverter:inv2", inputs=("string:s3",))
    assert bound(TWO, {}, {"inverter": "inverter:inv1", "inputs": ["string:s2", "-"]}).inputs == ("string:s2", "-")


def test_a_named_meter_is_meant_alone() -> None:
    named = {"meter": "meter:gen1", "generation": "export"}
    assert bound(TWO, BOTH, named) == Subjects.model_validate(named)


def test_the_bound_subjects_are_those_of_the_source() -> None:
    (source,) = site(ONE).source
    assert subjects_of(source) == ("inverter:inv1", "string:s2", "string:s1")


@pytest.mark.parametrize(
    ("subjects", "message"),
    [
        (
            None,
            r"source\[0\] \(bus\).subjects: missing; this site has 2 inverters \(inverter:inv1, inverter:inv2\), so "
            r"expected subjects = \{ inverter = 'inverter:ID' \}, or meter = 'meter:ID' in it",
        ),
        (
            {"inverter": "inverter:inv3"},
            r"source\[0\] \(bus\): subjects = 'inverter:inv3': expected one that this site has",
        ),
        ({"meter": "meter:no"}, r"source\[0\] \(bus\): subjects = 'meter:no': expected one that this site has"),
        (
            {"inverter": "inverter:inv1", "inputs": ["string:s1", "string:s3"]},
            r"source\[0\] \(bus\).subjects.inputs: string:s3 is not on inverter:inv1; expected its strings: "
            "string:s1, string:s2",
        ),
        (
            {"meter": "meter:gen1"},
            r"source\[0\] \(bus\).subjects.generation: missing; meter:gen1 is a generation meter, so expected 'export' "
            "or 'import': the one of its two registers that counts what is made",
        ),
        (
            {"meter": "meter:grid", "generation": "export"},
            r"source\[0\] \(bus\).subjects.generation: meter:grid is a grid meter; expected no such key",
        ),
    ],
)
def test_what_the_site_does_not_bear_out_is_told(subjects: dict[str, Any] | None, message: str) -> None:
    with pytest.raises(ValidationError, match=message):
        site(TWO, BOTH, subjects)


def test_mistakes_are_told_as_a_person_finds_them_in_the_file(fleet_folder: Path) -> None:
    path = fleet_folder / "sites/larkrise.toml"
    text = path.read_text()
    path.write_text(
        text + '\n[[source]]\nid = "bus"\nkind = "modbus_tcp"\nhost = "localhost"\ninterval_minutes = 5\n'
        'model = "sunspec"\nsubjects = { invertr = "inverter:inv1" }\n'
    )
    count = text.count("[[source]]")
    assert load_fleet(fleet_folder).faults == (
        f"sites/larkrise.toml: source[{count}].subjects.invertr: unknown key; did you mean inverter?",
    )
