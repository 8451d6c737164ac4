"""What to measure on site: the test, what this roof should show, the usual tolerance, and what it is good for."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass, replace

from monitor.config.models import Site, String
from monitor.detect.telling.phrases import ROOF_CAUTION
from monitor.report.callback.pack import Pack

CAUTION = ROOF_CAUTION
SOURCE = (
    "Tests as grouped by IEC 62446-1 (its clause headings are public); the tolerances are common practice and quoted "
    "from memory, so check them against the standard and the makers' manuals."
)
_LOW_VOLTS, _HIGH_VOLTS = 120.0, 500.0
_DC_CAUSES = frozenset({"failed_string", "underperforming_string", "underperforming_module", "soiling", "data_fault"})
_CURVE = frozenset({"underperforming_string", "underperforming_module", "failed_string"})
_COLD_C, _HOT_C = 0.0, 50.0


@dataclass(frozen=True, slots=True)
class Test:
    """One measurement: what, on what, what to expect here, within what, and why."""

    what: str
    of: str
    expect: str
    tolerance: str
    why: str
    pressing: bool = False


def tests_on_site(pack: Pack) -> tuple[Test, ...]:
    """What is worth measuring, the most pressing first."""
    causes = {f.cause for f in pack.findings if f.level != "note"}
    is_open = {f.subject for f in pack.findings if f.cause in _DC_CAUSES and f.state == "open"}
    found = [
        *_strings(pack.site, causes, is_open),
        *_inverters(pack, causes),
        *_meters(pack, causes),
        *_shade(causes),
    ]
    return tuple(sorted(_merged(found), key=lambda test: not test.pressing))


def _merged(found: list[Test]) -> Iterator[Test]:
    """Tests that are alike on several strings, as one."""
    parts: dict[Test, list[str]] = {}
    for test in found:
        parts.setdefault(replace(test, of=""), []).append(test.of)
    for test, of in parts.items():
        yield replace(test, of=" and ".join([", ".join(of[:-1]), of[-1]] if len(of) > 1 else of))


def _strings(site: Site, causes: set[str], is_open: set[str]) -> Iterator[Test]:
    suspected = bool(causes & _DC_CAUSES)
    for string in (s for s in site.string if s.module_electronics):
        yield Test(
            "Volts and amps of single modules", f"string {string.id}",
            f"{string.module.vmp_v:.1f} V at work at 25 °C and {string.module.imp_a:.1f} A at 1000 W/m², in proportion "
            "to the light; how to reach them, and what their electronics show at rest, the maker's manual says",
            "5 % between neighbours in one light", "a weak module, or weak electronics, which moves along when swapped",
            any(s.startswith(f"module:{string.id}/") for s in is_open),
        )  # fmt: skip
    for string in (s for s in site.string if not s.module_electronics):
        here = f"string:{string.id}" in is_open
        handed = next((h for h in site.handover.string if h.id == string.id), None) if site.handover else None
        then = f"; at handover {handed.voc_v:.0f} V" if handed is not None and handed.voc_v else ""
        yield Test(
            "Open-circuit voltage", f"string {string.id}",
            f"{_voc(string, 25.0):.0f} V at 25 °C by nameplate, {_voc(string, _COLD_C):.0f} V at 0 °C, "
            f"{_voc(string, _HOT_C):.0f} V at 50 °C{then}",
            "5 % between equal strings in steady light",
            f"missing or bridged modules ({string.module.voc_v:.0f} V each) and bypassed parts of them "
            f"({string.module.voc_v / 3:.0f} V each, within the tolerance if the string is long)",
            here,
        )  # fmt: skip
        yield Test(
            "Short-circuit or working current", f"string {string.id}",
            f"{string.module.isc_a:.1f} A short-circuited and {string.module.imp_a:.1f} A at work at 1000 W/m², in "
            "proportion to the light; measure irradiance in the plane at the same moment",
            "5 % between equal strings, above 400 W/m² and steady",
            "dirt, shade, weak or cracked modules",
            here,
        )  # fmt: skip
        if here or suspected:
            volts, least = _insulation(string)
            yield Test(
                "Insulation resistance", f"string {string.id}", f"at least {least} MΩ, tested with {volts} V",
                "no less", "damp connectors and rubbed cables, for which an inverter stays off", here,
            )  # fmt: skip
    if causes & _CURVE:
        yield Test(
            "Current-voltage curve", "the strings named above", "the shape of the nameplate curve, translated to "
            "1000 W/m² and 25 °C (IEC 60891)", "5 % of power, above 700 W/m²",
            "bypassed parts (a step in the curve), a bad contact (a slanted end), weak modules", True,
        )  # fmt: skip
        yield Test(
            "Thermal camera", "modules and connectors in sunshine", "no part hotter than its neighbours by 10 K",
            "above 600 W/m²", "contacts, diodes, cracked cells", True,
        )  # fmt: skip


def _inverters(pack: Pack, causes: set[str]) -> Iterator[Test]:
    grid = "grid_voltage_trip" in causes
    if grid or "inverter_outage" in causes:
        yield Test(
            "Mains voltage over a week, 10-minute means", "the inverter's terminals and the house's supply",
            "within the limits of the supply (230 V +10 %/-6 % in Britain, EN 50160 elsewhere; from memory)",
            "none above", "whose matter it is: the rise between the two places is the installation's, the rest the "
            "network's", grid,
        )  # fmt: skip
        yield Test(
            "The inverter's own event list and its set limits", "each inverter", "no repeated event; the settings of "
            "the connection agreement", "none", "the limit that was met", True,
        )  # fmt: skip
    if pack.waterfall.group("limits"):
        yield Test(
            "The set power limit", "each inverter",
            ", ".join(f"{i.id} {i.rated_ac_w:.0f} W" for i in pack.site.inverter),
            "as in the site file", "a limit that was set lower than agreed, which holds the roof back without an error",
        )  # fmt: skip


def _meters(pack: Pack, causes: set[str]) -> Iterator[Test]:
    pressing = bool(causes & {"meter_disagreement", "energy_imbalance"})
    if pack.meters or pressing or pack.house is not None:
        yield Test(
            "Registers of meter and inverter, read at the same two moments", "the generation meter",
            "equal energies over at least 20 kWh; with a clamp meter, equal power", "3 % (meters 1 to 2 %, inverters' "
            "own registers about 4 %)", "which of both is right; current transformers that are turned or on another "
            "phase", pressing,
        )  # fmt: skip


def _shade(causes: set[str]) -> Iterator[Test]:
    if "shading_growth" in causes:
        yield Test(
            "A photograph towards the shade, from the roof's edge or the ground, with a compass", "the array",
            "what stands in the direction named above", "5° in azimuth and height",
            "whether it is a tree or a building, and whether it can be cut", True,
        )  # fmt: skip


def _voc(string: String, module_c: float) -> float:
    """Open-circuit voltage by nameplate; of its coefficient the site file only knows the power's, which is larger."""
    per_c = _VOC_OF_POWER * string.module.gamma_pmp_pct_per_c / 100.0
    return string.modules * string.module.voc_v * (1.0 + per_c * (module_c - 25.0))


# Temperature coefficient of the open-circuit voltage over that of power, for silicon (from memory: -0.28 of -0.36).
_VOC_OF_POWER = 0.78


def _insulation(string: String) -> tuple[int, float]:
    """Test voltage [V] and least resistance [MΩ] by the string's open-circuit voltage (IEC 62446-1, from memory)."""
    voc = string.modules * string.module.voc_v
    if voc < _LOW_VOLTS:
        return 250, 0.5
    return (500, 1.0) if voc <= _HIGH_VOLTS else (1000, 1.0)
