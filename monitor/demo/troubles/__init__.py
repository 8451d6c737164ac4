"""What goes wrong in a demo fleet, and when. A new trouble is a function and a line in TROUBLES."""

from __future__ import annotations

from collections.abc import Callable

from monitor.demo.troubles.base import Happening, Scene, Trouble
from monitor.demo.troubles.dirt import soiling, washed_after_handover
from monitor.demo.troubles.inverters import grid_voltage_trip, inverter_gone, inverter_off, missing_data
from monitor.demo.troubles.meters import meter_off, new_load, reversed_sensor, stray_sensor
from monitor.demo.troubles.modules import cracked_module, fading_module, module_without_a_part
from monitor.demo.troubles.records import (
    dead_channel,
    drifting_clock,
    missed_clock_change,
    register_restarts,
    stuck_value,
    unit_changed,
)
from monitor.demo.troubles.shading import growing_evergreen, growing_tree, new_building
from monitor.demo.troubles.strings import (
    bad_joint,
    failed_string,
    lost_module,
    lost_substring,
    opens_some_days,
    opens_when_warm,
)

__all__ = ["HARMLESS", "TROUBLES", "Happening", "Scene", "Trouble"]

TROUBLES: dict[str, Callable[[Scene], Happening]] = {
    one.__name__: one
    for one in (
        failed_string, opens_when_warm, opens_some_days, lost_substring, lost_module, bad_joint,
        cracked_module, fading_module, module_without_a_part,
        growing_evergreen, growing_tree, new_building, soiling,
        inverter_off, inverter_gone, grid_voltage_trip, missing_data,
        unit_changed, stuck_value, register_restarts, dead_channel, missed_clock_change, drifting_clock,
        meter_off, reversed_sensor, stray_sensor,
    )
}  # fmt: skip
# What happens to homes on which nothing is wrong.
HARMLESS: dict[str, Callable[[Scene], Happening]] = {one.__name__: one for one in (washed_after_handover, new_load)}
