"""A made-up home for tests of the model and the detectors."""

from __future__ import annotations

import pytest

from monitor.config.models import Site

MODULE = {"pmp_w": 400, "vmp_v": 31, "imp_a": 12.9, "voc_v": 37.2, "isc_a": 13.7, "gamma_pmp_pct_per_c": -0.34}


def made_site(**changes: object) -> Site:
    """Two strings of ten modules on one south plane and one inverter, with a log and a generation meter."""
    given: dict[str, object] = {
        "site": {
            "id": "elmcote", "name": "Elmcote", "latitude": 52.1, "longitude": -1.3, "altitude_m": 90,
            "timezone": "Europe/London", "commissioned": "2025-01-01",
        },
        "tariff": {"import_per_kwh": 0.28},
        "plane": [{"id": "south", "tilt_deg": 35, "azimuth_deg": 180}],
        "inverter": [{"id": "inv1", "rated_ac_w": 7500}],
        "string": [
            {"id": s, "inverter": "inv1", "plane": "south", "modules": 10, "module": MODULE} for s in ("s1", "s2")
        ],
        "meter": [{"id": "gen1", "role": "generation", "inverter": "inv1"}],
        "source": [
            {
                "id": "log", "kind": "table", "files": "incoming/log_*.csv", "interval_minutes": 15,
                "time": {"column": "t", "zone": "UTC"},
                "columns": [
                    {"column": "p1", "quantity": "dc_power", "of": "string:s1", "unit": "W"},
                    {"column": "p2", "quantity": "dc_power", "of": "string:s2", "unit": "W"},
                    {"column": "ac", "quantity": "ac_power", "of": "inverter:inv1", "unit": "W"},
                    {
                        "column": "kwh", "quantity": "ac_energy", "of": "inverter:inv1", "unit": "kWh",
                        "reads": "counter",
                    },
                ],
            },
            {
                "id": "meter", "kind": "table", "files": "incoming/gen_*.csv", "interval_minutes": 30,
                "time": {"column": "t", "zone": "UTC"},
                "columns": [
                    {"column": "kwh", "quantity": "ac_energy", "of": "meter:gen1", "unit": "kWh", "reads": "counter"}
                ],
            },
        ],
    }  # fmt: skip
    return Site.model_validate(given | changes)


@pytest.fixture(scope="session")
def site() -> Site:
    return made_site()
