"""The pack as data: all that it says, before any layout. Energies in kWh, days local to the site."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from datetime import date

from monitor.config.models import Site
from monitor.detect.finding import Finding
from monitor.detect.least_loss import Limit
from monitor.model.gain import Gains
from monitor.model.typical_year import UsualSky
from monitor.report.callback.verdict import Verdict
from monitor.report.callback.waterfall import Waterfall
from monitor.report.proof.drawing import Proof
from monitor.store.daily import DailyRow


@dataclass(frozen=True, slots=True, kw_only=True)
class MonthLine:
    """A calendar month as far as it lies in the period and could be reckoned."""

    first: date
    days: int
    measured: float
    expected: float
    low: float
    high: float
    quoted: float | None


@dataclass(frozen=True, slots=True, kw_only=True)
class UnitLine:
    """A string or inverter over the days that have both figures; `available` is its availability by energy."""

    subject: str
    words: str
    days: int
    measured: float
    expected: float
    low: float
    high: float
    available: float | None

    @property
    def share(self) -> float | None:
        """Measured over expected; None where nothing was expected."""
        return self.measured / self.expected if self.expected > 0.0 else None


@dataclass(frozen=True, slots=True, kw_only=True)
class ModuleLine:
    """Modules of a string that are measured alone, over some bright days: each over the middle of its string."""

    string: str
    shares: Mapping[str, float]  # by module
    days: int


@dataclass(frozen=True, slots=True, kw_only=True)
class MeterLine:
    """A generation meter beside the inverter that it measures, over the days that both told of as a whole."""

    meter: str
    inverter: str
    days: int
    meter_kwh: float
    inverter_kwh: float
    is_only_witness: bool = False  # the inverter has no log of its own


@dataclass(frozen=True, slots=True, kw_only=True)
class HouseLine:
    """What the grid meter counted over the period, and over the same days a year before where it did then."""

    days: int
    imported: float
    exported: float
    imported_before: float | None = None
    days_before: int = 0


@dataclass(frozen=True, slots=True, kw_only=True)
class HandoverLine:
    """A string's volts or amps at handover, and today in the same light and at the same temperature."""

    string: str
    quantity: str  # voltage or current
    measure: str  # V or A
    at_handover: float
    today: float
    low: float
    high: float
    quarters: int  # quarter hours that today's value is the middle of
    days: int
    is_indirect: bool  # worked out from an open-circuit or short-circuit value by the nameplate
    light: str  # where irradiance and temperature of today come from
    is_held: bool = False  # its voltage is raised while its current is lowered
    beside: float | None = None  # its change over that of the other strings of the plane, less one

    @property
    def change(self) -> float:
        """Today over handover, less one."""
        return self.today / self.at_handover - 1.0


@dataclass(frozen=True, slots=True, kw_only=True)
class FindingProof:
    """A picture of a finding, and what it shows."""

    finding: str
    data: Proof
    alt: str


@dataclass(frozen=True, slots=True, kw_only=True)
class Pack:
    """The evidence on one complaint. `asked` is the period as it was asked for, `days` how many of its days count."""

    fleet: str
    site: Site
    asked: tuple[date, date]
    assessed_until: date
    days_asked: int
    days: int
    waterfall: Waterfall
    verdict: Verdict
    findings: tuple[Finding, ...]
    months: tuple[MonthLine, ...]
    usual: UsualSky
    year_on_paper: float  # kWh that the model makes of a typical year by nameplate, under the open sky
    split_relative: float  # sigma of the quote's part of the days, relative
    gains: Mapping[str, Gains]  # of inverters
    sources: Mapping[str, float]  # share of the energy expected by what told of the sky
    units: tuple[UnitLine, ...]
    modules: tuple[ModuleLine, ...]
    meters: tuple[MeterLine, ...]
    house: HouseLine | None
    handover: tuple[HandoverLine, ...]
    limits: tuple[Limit, ...]
    proofs: tuple[FindingProof, ...]
    rows: tuple[DailyRow, ...]

    @property
    def name(self) -> str:
        """How its files begin."""
        return f"callback-{self.site.id}-{self.asked[0]}-{self.asked[1]}"

    def finding(self, name: str) -> Finding:
        """A finding by id."""
        return next(f for f in self.findings if f.id == name)
