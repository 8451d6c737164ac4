"""Devices on the bus at the command line: `ingest` polls each once, `status` tells how they stand."""

from __future__ import annotations

import json
from collections.abc import Callable
from pathlib import Path

import pytest
from click.testing import Result

from tests.bus_devices import LOOPBACK, Device, closed_port, sunspec_words

Run = Callable[..., Result]
FILES = "12 files taken, 0 known, 0 waiting, 0 refused, 1152 readings new, 0 pieces set aside\n"


@pytest.fixture
def add_device(fleet_folder: Path) -> Callable[..., None]:
    """Adds a polled source to the first site."""

    def add(name: str, port: int) -> None:
        site = fleet_folder / "sites/larkrise.toml"
        site.write_text(
            f'{site.read_text()}\n[[source]]\nid = "{name}"\nkind = "modbus_tcp"\nhost = "{LOOPBACK}"\nport = {port}\n'
            'interval_minutes = 5\nmodel = "sunspec"\nretries = 0\n'
        )

    return add


def test_each_device_is_polled_once_and_a_dead_one_makes_exit_code_1(
    run: Run, fleet_folder: Path, add_device: Callable[..., None]
) -> None:
    with Device({1: {40_000: sunspec_words(power_w=1500, energy_wh=9000)}}) as device:
        add_device("roof", device.port)
        done = run("ingest", fleet_folder)
        assert (done.exit_code, done.stderr) == (0, "")
        assert done.stdout == FILES + "1 devices polled, 1 answered, 3 readings new\n"
        nobody = closed_port()
        add_device("cellar", nobody)
        done = run("ingest", fleet_folder, "--json")
    told = f"{LOOPBACK}:{nobody}: cannot be reached: Connection refused"
    assert (done.exit_code, done.stderr) == (1, f"larkrise/cellar: {told}\n")
    polls = json.loads(done.stdout)["polls"]
    assert (polls["polled"], polls["answered"], polls["failed"]) == (2, 1, [f"larkrise/cellar: {told}"])

    status = run("status", fleet_folder).stdout
    table = status[status.index("site      device") :].splitlines()
    assert table[1].split() == ["larkrise", "roof", *["2025-06-08", "13:00", "BST"] * 2, "0"]
    assert table[2].split() == ["larkrise", "cellar", "never", "2025-06-08", "13:00", "BST", "1"]
    assert table[3] == f"  larkrise/cellar: {told}"
    noon = "2025-06-08T12:00:00+00:00"
    well = {
        "site": "larkrise",
        "source": "roof",
        "last_poll": noon,
        "last_reading": noon,
        "failures": 0,
        "trouble": None,
    }
    dead = {**well, "source": "cellar", "last_reading": None, "failures": 1, "trouble": told}
    assert json.loads(run("status", fleet_folder, "--json").stdout)["devices"] == [well, dead]


def test_files_alone_are_read_when_they_are_named(
    run: Run, fleet_folder: Path, add_device: Callable[..., None]
) -> None:
    add_device("cellar", closed_port())
    file = "incoming/larkrise/inv1_20250603.csv"
    done = run("ingest", fleet_folder, file, "--json")
    assert (done.exit_code, done.stderr) == (0, "")
    assert json.loads(done.stdout)["polls"] is None
    assert "cellar" in run("status", fleet_folder).stdout


def test_a_device_that_was_never_polled_is_listed(
    run: Run, fleet_folder: Path, add_device: Callable[..., None]
) -> None:
    assert "device" not in run("status", fleet_folder).stdout
    add_device("cellar", closed_port())
    status = run("status", fleet_folder).stdout
    assert "larkrise  cellar  never         never             0" in status
