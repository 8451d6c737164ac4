"""Whether the demo's weather and roofs are like those of southern England."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import date

import numpy as np
import pytest

from monitor.demo.chance import stream
from monitor.demo.devices import InverterMake, run_inverter
from monitor.demo.roof import Mounting, cell_temperature, light_on
from monitor.demo.shade import shade_on
from monitor.demo.sky import sun_position
from monitor.demo.span import Span, months_until
from monitor.demo.strings import Hidden, draw_module, wired_state
from monitor.demo.weather import Place, Weather, draw_region, snow_on_roof, weather_at

PLACES = [Place(51.5, -1.5, 80, 0, 0), Place(51.6, -1.4, 80, 7, 11), Place(51.8, -1.0, 80, 35, 33)]


@dataclass(frozen=True)
class Year:
    seed: int
    span: Span
    weathers: list[Weather]

    def daily(self, values: np.ndarray, weather: Weather) -> np.ndarray:
        days = self.span.day_index[weather.sun.lit]
        return np.bincount(days, values, minlength=self.span.days)


@pytest.fixture(scope="module", params=(1, 5))
def year(request: pytest.FixtureRequest) -> Year:
    span = months_until(date(2026, 8, 31), 12, "Europe/London")
    region = draw_region(span, PLACES, request.param)
    weathers = [weather_at(region, p, i, stream(request.param, "w", i)) for i, p in enumerate(PLACES)]
    return Year(request.param, span, weathers)


def test_a_seventh_to_a_quarter_of_the_days_are_clear(year: Year) -> None:
    """Clear: over four fifths of the day's cloudless energy the beam had nine tenths of its cloudless strength."""
    weather = year.weathers[0]
    open_beam = weather.light.dni > 0.9 * weather.clear.dni
    share = year.daily(weather.clear.ghi * open_beam, weather) / year.daily(weather.clear.ghi, weather)
    assert 0.13 < np.mean(share > 0.8) < 0.25


def test_neighbours_have_like_but_not_the_same_weather(year: Year) -> None:
    index = [year.daily(w.light.ghi, w) / year.daily(w.clear.ghi, w) for w in year.weathers]
    near, far = np.corrcoef(index)[0, 1:]
    assert 0.8 < far < near < 0.99
    counts = min(len(w.light.ghi) for w in year.weathers[:2])
    steps = [w.light.ghi[:counts] / w.clear.ghi[:counts] for w in year.weathers[:2]]
    assert np.corrcoef(steps)[0, 1] < near - 0.05


def test_clouds_have_bright_edges(year: Year) -> None:
    light, clear = year.weathers[0].light, year.weathers[0].clear
    high = clear.ghi > 200.0
    assert 1.1 < np.quantile(light.ghi[high] / clear.ghi[high], 0.999) < 1.4


def test_a_south_roof_yields_what_such_roofs_yield(year: Year) -> None:
    weather, plane = year.weathers[0], (35.0, 180.0)
    shade = shade_on((), weather.sun, year.span.year_angle, plane)
    light = light_on(weather.sun, weather.light, plane, shade, snow_on_roof(weather, 35.0))
    absorbed = np.zeros(len(year.span))
    absorbed[weather.sun.lit] = light.bright
    cell_c = cell_temperature(absorbed, weather.temperature_c, weather.wind_m_s, Mounting(20.0, 4.0, 12.0))
    assert cell_c.max() < 75.0
    module = draw_module(stream(year.seed, "module"))
    rated = 10 * module.nameplate.pmp_w
    string = wired_state(module, Hidden(1.0, 0.0, 0.0, 1.0, (1.0,) * 10), light, shade, cell_c[weather.sun.lit])
    state = run_inverter(InverterMake(0.85 * rated, 25.0, 10.0, 0.012, 0.018, -4.0), {"s1": string})
    assert 750.0 < state.ac_w.sum() / 12.0 / rated < 1150.0


def test_a_nameplate_is_the_module_at_test_conditions() -> None:
    for seed in range(5):
        module = draw_module(stream(seed, "module"))
        label, at = module.nameplate, [np.array([1000.0]), np.array([25.0])]
        power = float((module.at("v_mp", *at) * module.at("i_mp", *at))[0])
        assert label.pmp_w <= power * 1.002
        assert label.pmp_w == pytest.approx(power, rel=0.02)
        assert label.vmp_v * label.imp_a == pytest.approx(label.pmp_w, rel=0.005)


def test_the_sun_stands_south_and_highest_at_noon() -> None:
    """At Greenwich on the June solstice: 90 - 51.48 + 23.44 degrees."""
    seconds = np.arange(1_782_000_000 // 86400 * 86400, 1_782_000_000 // 86400 * 86400 + 86400, 60)
    elevation, azimuth = sun_position(seconds, 51.48, 0.0)
    noon = int(np.argmax(elevation))
    assert elevation[noon] == pytest.approx(61.96, abs=0.05)
    assert azimuth[noon] == pytest.approx(180.0, abs=0.5)
    assert abs(noon - 722) <= 3  # true noon on 21 June: about two minutes late


def test_a_limited_string_goes_up_in_voltage() -> None:
    module = draw_module(stream(1, "module"))
    lifted = module.limited_voltage(np.array([1.0, 0.95, 0.6]))
    assert lifted[0] == pytest.approx(1.0, abs=0.01)
    assert 1.03 < lifted[1] < 1.10 < lifted[2] < 1.25
