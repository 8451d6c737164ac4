"""The detectors, and what the life of a finding needs to know of each cause."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Protocol

from monitor.detect.clipping import Clipping
from monitor.detect.clock_error import ClockError
from monitor.detect.data_fault import DataFault
from monitor.detect.energy_imbalance import EnergyImbalance
from monitor.detect.export_limiting import ExportLimiting
from monitor.detect.failed_string import FailedString
from monitor.detect.finding import Finding, Level
from monitor.detect.grid_voltage_trip import GridVoltageTrip
from monitor.detect.inverter_outage import InverterOutage
from monitor.detect.meter_disagreement import MeterDisagreement
from monitor.detect.missing_data import MissingData
from monitor.detect.night import SiteNight, Verdict
from monitor.detect.shading_growth import ShadingGrowth
from monitor.detect.short_of_nameplate import FROM_THE_START
from monitor.detect.snow import Snow
from monitor.detect.soiling import Soiling
from monitor.detect.underperforming_module import UnderperformingModule
from monitor.detect.underperforming_string import UnderperformingString


class Detector(Protocol):
    """A pure judge of one cause."""

    @property
    def cause(self) -> str:
        """The cause that it speaks of."""

    def find(self, night: SiteNight) -> list[Verdict]:
        """Judge every subject of the site that it can judge."""


@dataclass(frozen=True, slots=True)
class Kind:
    """How findings of a cause live.

    Causes of one `family` are names for one trouble of a subject: a finding may change between them as more is seen.
    While a finding that `spoils` is open, nothing is learned from what it touches.
    """

    level: Level
    good_days_to_clear: int
    family: str
    spoils: bool = True


def detector_table() -> dict[str, Detector]:
    """Every detector by its cause."""
    found: tuple[Detector, ...] = (
        FailedString(),
        InverterOutage(),
        UnderperformingString(),
        UnderperformingModule(),
        ShadingGrowth(),
        Soiling(),
        MissingData(),
        ClockError(),
        DataFault(),
        GridVoltageTrip(),
        Clipping(),
        ExportLimiting(),
        Snow(),
        MeterDisagreement(),
        EnergyImbalance(),
    )
    return {d.cause: d for d in found}


KINDS: dict[str, Kind] = {
    "failed_string": Kind("urgent", 3, "standstill"),
    "inverter_outage": Kind("urgent", 2, "standstill"),
    "underperforming_string": Kind("visit", 5, "weakness"),
    "underperforming_module": Kind("visit", 5, "weakness"),
    "shading_growth": Kind("watch", 2, "weakness"),
    "soiling": Kind("watch", 5, "weakness"),
    "missing_data": Kind("watch", 1, "silence", spoils=False),
    "clock_error": Kind("watch", 3, "clock"),
    "data_fault": Kind("watch", 3, "readings"),
    "grid_voltage_trip": Kind("visit", 14, "grid"),
    # Two months without a bright day at the limit are another season.
    "clipping": Kind("note", 60, "clipping", spoils=False),
    "export_limiting": Kind("note", 60, "export", spoils=False),
    "snow": Kind("note", 2, "snow"),
    "meter_disagreement": Kind("watch", 3, "balance", spoils=False),
    "energy_imbalance": Kind("watch", 3, "balance", spoils=False),
}


def spoils(finding: Finding) -> bool:
    """Whether nothing is learned from what a finding touches while it is open.

    What a string has lacked from its first day on is part of its level: later days are held against that.
    """
    always = finding.cause == "underperforming_string" and finding.evidence.get("shape") == FROM_THE_START
    return KINDS[finding.cause].spoils and not always
