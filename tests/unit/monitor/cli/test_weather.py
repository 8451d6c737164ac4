"""Weather services at the command line: `ingest` fetches what is due, `status` tells how they stand."""

from __future__ import annotations

import json
from collections.abc import Callable, Iterator
from pathlib import Path

import pytest
from click.testing import Result

from tests.weather_server import Reply, WeatherServer, power

Run = Callable[..., Result]
FILES = "12 files taken, 0 known, 0 waiting, 0 refused, 1152 readings new, 0 pieces set aside\n"
AGAIN = "0 files taken, 12 known, 0 waiting, 0 refused, 0 readings new, 0 pieces set aside\n"


@pytest.fixture
def server(monkeypatch: pytest.MonkeyPatch) -> Iterator[WeatherServer]:
    monkeypatch.setenv("NO_PROXY", "*")
    with WeatherServer(power) as server:
        yield server


@pytest.fixture
def three_lines(fleet_folder: Path, server: WeatherServer) -> Path:
    """The site file with weather by three lines, and a fourth for the server of the test."""
    site = fleet_folder / "sites/larkrise.toml"
    lines = f'id = "sky"\nkind = "weather_service"\nservice = "nasa_power"\nurl = "{server.url}"\n'
    site.write_text(f"{site.read_text()}\n[[source]]\n{lines}")
    return site


@pytest.mark.usefixtures("three_lines")
def test_the_weather_that_is_due_is_fetched_once(run: Run, fleet_folder: Path, server: WeatherServer) -> None:
    done = run("ingest", fleet_folder)
    assert (done.exit_code, done.stderr) == (0, "")
    line = "weather of 1 sites asked for in 1 requests, 1 sites answered, 840 readings new\n"
    assert done.stdout == FILES + line
    assert run("ingest", fleet_folder).stdout == AGAIN + (
        "weather of 0 sites asked for in 0 requests, 0 sites answered, 0 readings new\n"
    )
    assert len(server.asked) == 1
    (device,) = json.loads(run("status", fleet_folder, "--json").stdout)["devices"]
    assert (device["source"], device["failures"], device["trouble"]) == ("sky", 0, None)


@pytest.mark.usefixtures("three_lines")
def test_a_fetch_that_fails_makes_exit_code_1_and_stands_in_status(
    run: Run, fleet_folder: Path, server: WeatherServer
) -> None:
    server.respond = lambda _: Reply(b"too many requests", 429)
    done = run("ingest", fleet_folder, "--json")
    place = server.url.removeprefix("http://")
    told = f"nasa_power at {place}: {place} answers HTTP 429: too many requests"
    assert (done.exit_code, done.stderr) == (1, f"larkrise/sky: {told}\n")
    weather = json.loads(done.stdout)["weather"]
    assert (weather["requests"], weather["answered"], weather["failed"]) == (1, 0, [f"larkrise/sky: {told}"])
    assert f"  larkrise/sky: {told}" in run("status", fleet_folder).stdout.splitlines()
    done = run("ingest", fleet_folder)  # in the hour after, in which nobody asks
    assert (done.exit_code, done.stderr) == (0, "")


@pytest.mark.usefixtures("three_lines")
def test_nothing_is_fetched_for_files_that_are_named(run: Run, fleet_folder: Path, server: WeatherServer) -> None:
    done = run("ingest", fleet_folder, "incoming/larkrise/inv1_20250603.csv", "--json")
    assert (done.exit_code, json.loads(done.stdout)["weather"], server.asked) == (0, None, [])


@pytest.mark.parametrize(
    ("old", "new", "fault"),
    [
        ('service = "nasa_power"', "", "source[1].weather_service.service: missing; expected this key"),
        ('"nasa_power"', '"sundial"', "service = 'sundial': input should be 'nasa_power', 'cams' or 'era5'"),
        ('service = "nasa_power"', 'servise = "nasa_power"', "did you mean service?"),
        ('service = "nasa_power"', 'service = "cams"', "key_env: missing; cams expects the name of the environment"),
    ],
)
def test_a_mistake_in_the_lines_is_named(
    run: Run, fleet_folder: Path, three_lines: Path, old: str, new: str, fault: str
) -> None:
    three_lines.write_text(three_lines.read_text().replace(old, new))
    done = run("check", fleet_folder)
    assert done.exit_code == 2
    assert fault in done.stderr, done.stderr
