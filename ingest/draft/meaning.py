"""What a column measures, in which unit and how it reads: its name and its numbers must both agree."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace

from ingest.draft.figures import Figures
from ingest.draft.proposal import ColumnDraft
from ingest.draft.words import Name
from ingest.quantities import QUANTITIES, UNITS

_DIMENSION_OF_SIDE = {
    "ghi": "irradiance", "dni": "irradiance", "dhi": "irradiance", "poa": "irradiance",
}  # fmt: skip
# Where a reading of a quantity lies when it is not zero, in our unit; wide enough for all roofs of homes. The voltage
# of a low-voltage grid is 230 V (EN 50160: within 10 per cent nearly always) or about 120 V.
RANGES: dict[str, tuple[float, float]] = {
    "dc_voltage": (1.0, 1500.0),
    "dc_current": (-1.0, 60.0),
    "ac_voltage": (90.0, 290.0),
    "ac_frequency": (44.0, 66.0),
    "irradiance_poa": (-20.0, 1700.0),
    "irradiance_ghi": (-20.0, 1600.0),
    "irradiance_dni": (-20.0, 1300.0),
    "irradiance_dhi": (-20.0, 1100.0),
    "temperature_air": (-45.0, 55.0),
    "temperature_module": (-45.0, 100.0),
    "wind_speed": (0.0, 60.0),
    "battery_soc": (0.0, 100.0),
}
_IRRADIANCES = ("poa", "ghi", "dni", "dhi")


def meaning_of(name: Name, figures: Figures) -> ColumnDraft:
    """Quantity, reads and, where the name says it, the unit; what stays open is in `missing`."""
    draft = ColumnDraft(name.text)
    dimension, why = _dimension(name)
    if dimension is None:
        return replace(draft, missing=(f"quantity: {why}",))
    if name.unit == "":
        return replace(draft, is_reading=False, why=(f"{name.unit_text} is no unit of ours",))
    if "other" in name.says or "house" in name.says:
        return replace(draft, is_reading=False, why=("the name speaks of something that no quantity of ours is",))
    found = _BY_DIMENSION[dimension](name, figures)
    found = replace(found, unit=found.unit or name.unit or _only_unit(dimension), why=(*why_words(name), *found.why))
    return _in_range(found, figures)


def why_words(name: Name) -> tuple[str, ...]:
    """What of the name was used."""
    return (f"unit {name.unit_text} in the name",) if name.unit else ()


def _dimension(name: Name) -> tuple[str | None, str]:
    by_unit = UNITS[name.unit].dimension if name.unit else None
    by_words = set(name.dimensions) | {d for side, d in _DIMENSION_OF_SIDE.items() if side in name.says}
    if by_unit == "share" and ("battery" in name.says or by_words == {"share"}):
        return "share", ""
    if by_unit is not None and by_words and by_unit not in by_words:
        return None, f"the name says {' and '.join(sorted(by_words))}, its unit is of {by_unit}"
    if by_unit is not None:
        return by_unit, ""
    if len(by_words) == 1:
        return next(iter(by_words)), ""
    told = f"the name may mean {' or '.join(sorted(by_words))}" if by_words else "the name does not tell"
    return None, told


def _only_unit(dimension: str) -> str | None:
    """The unit of a dimension that has one only; a wrong scale is caught by the range."""
    units = [name for name, unit in UNITS.items() if unit.dimension == dimension]
    return units[0] if len(units) == 1 and dimension != "speed" else None


def _power(name: Name, figures: Figures) -> ColumnDraft:
    draft = ColumnDraft(name.text)
    if figures.is_register:
        return replace(draft, missing=("quantity: the name says power, but the numbers only rise as a counter's",))
    flow = _flow(name)
    if flow is not None:
        return _flow_power(draft, name, flow, figures)
    sides = name.says & {"ac", "dc", "inverter", "module"}
    quantities = {"dc_power" if side in ("dc", "module") else "ac_power" for side in sides}
    if quantities == {"ac_power"} and "ac" in name.says and _is_grid(name):
        return replace(draft, missing=("quantity: ac_power, import_power or export_power",))
    if len(quantities) != 1:
        told = "the name says both sides" if quantities else "the name does not say which side"
        return replace(draft, missing=(f"quantity: ac_power or dc_power ({told})",))
    quantity = quantities.pop()
    if figures.is_dark_at_night is False:
        return replace(draft, missing=(f"quantity: {quantity} by its name, but it does not follow the light",))
    light = ("next to nothing at night",) if figures.is_dark_at_night else ()
    return replace(draft, quantity=quantity, why=(f"{_side_words(quantity)} in the name", *light))


def _flow_power(draft: ColumnDraft, name: Name, flow: str, figures: Figures) -> ColumnDraft:
    quantity = f"{flow}_power"
    if flow == "battery":
        one_way = name.says & {"charge", "discharge"}
        if one_way == {"discharge"} and figures.lowest < 0:
            return replace(draft, quantity=quantity, why=("discharge positive by its name, and it has both signs",))
        return replace(draft, quantity=quantity, missing=("sign: ours is discharge positive; does this column agree?",))
    if figures.lowest < 0 and flow in ("import", "export"):
        return replace(draft, quantity=quantity, missing=(f"sign: {flow} only, or both directions in one column?",))
    return replace(draft, quantity=quantity, why=(f"{flow} in the name",))


def _energy(name: Name, figures: Figures) -> ColumnDraft:
    draft = ColumnDraft(name.text)
    flow = _flow(name)
    if flow in ("battery", "diverter", "charger"):
        return replace(draft, is_reading=False, why=(f"no quantity of ours is the energy of a {flow}",))
    if "dc" in name.says and "pv" not in name.words and flow is None:
        return replace(draft, is_reading=False, why=("no quantity of ours is an energy of the DC side",))
    draft = replace(draft, quantity=f"{flow or 'ac'}_energy")
    if flow is None and _is_grid(name):
        return replace(draft, quantity=None, missing=("quantity: ac_energy, import_energy or export_energy",))
    if figures.is_register:
        kind = "starting anew every day" if "day" in name.says else "rising over day and night"
        return replace(
            draft, reads="counter", why=(f"a counter, {kind}: {figures.values[0]:g} to {figures.values[-1]:g}",)
        )
    if "total" in name.says and figures.hardly_falls:
        return replace(draft, reads="counter", why=("a counter by its name, and the numbers hardly fall",))
    if figures.is_course and not name.says & {"total"}:
        return replace(draft, reads="interval", why=("rises and falls, so it is no counter",))
    return replace(draft, missing=("reads: counter or interval (the rows do not tell)",))


def _voltage(name: Name, figures: Figures) -> ColumnDraft:
    draft = ColumnDraft(name.text)
    low, high = figures.typical()
    steady = (
        figures.is_dark_at_night is not True
        and low > 0.85 * high
        and (195 <= low <= high <= 265 or 100 <= low <= high <= 135)
    )
    by_words = {"dc_voltage" if side == "dc" else "ac_voltage" for side in name.says & {"ac", "dc"}}
    if len(by_words) == 1:
        quantity = by_words.pop()
        if quantity == "ac_voltage" and not steady:
            return replace(draft, missing=(f"quantity: ac_voltage by its name, but it is {low:g} to {high:g}",))
        if quantity == "dc_voltage" and steady and figures.values.min() > 0:
            return replace(draft, missing=("quantity: dc_voltage by its name, but steady day and night as a grid's",))
        return replace(draft, quantity=quantity, why=(f"{_side_words(quantity)} in the name, {low:g} to {high:g}",))
    if not by_words and steady:
        return replace(draft, quantity="ac_voltage", why=(f"steady day and night, {low:g} to {high:g}",))
    return replace(draft, missing=("quantity: dc_voltage or ac_voltage",))


def _current(name: Name, figures: Figures) -> ColumnDraft:
    draft = ColumnDraft(name.text)
    if "dc" in name.says and not name.says & {"ac", "battery", "inverter"}:
        if figures.is_dark_at_night is False:
            return replace(draft, missing=("quantity: dc_current by its name, but it does not follow the light",))
        return replace(
            draft, quantity="dc_current", why=(f"{_side_words('dc')} in the name, up to {figures.highest:g}",)
        )
    if name.says & {"ac", "battery", "inverter"}:
        return replace(draft, is_reading=False, why=("no quantity of ours is this current",))
    return replace(draft, missing=("quantity: dc_current, or a current that is none of ours",))


def _irradiance(name: Name, figures: Figures) -> ColumnDraft:
    kinds = name.says & set(_IRRADIANCES)
    if len(kinds - {"ghi"}) == 1 and not {"horizontal", "ghi"} & set(name.words):
        kinds = kinds - {"ghi"}  # "global" is said of the plane of array too
    if len(kinds) != 1:
        return ColumnDraft(name.text, missing=("quantity: irradiance_poa, _ghi, _dni or _dhi",))
    quantity = f"irradiance_{next(iter(kinds))}"
    if figures.highest <= 20:
        return ColumnDraft(name.text, missing=(f"unit: {quantity} of at most {figures.highest:g}?",))
    if figures.is_dark_at_night is False:
        return ColumnDraft(name.text, missing=(f"quantity: {quantity} by its name, but it does not follow the sun",))
    return ColumnDraft(name.text, quantity, why=(f"up to {figures.highest:g}, dark at night",))


def _temperature(name: Name, figures: Figures) -> ColumnDraft:
    kinds = name.says & {"air", "module"}
    if len(kinds) != 1:
        return ColumnDraft(name.text, missing=("quantity: temperature_air or temperature_module",))
    quantity = f"temperature_{next(iter(kinds))}"
    if name.unit is None and not -40 <= figures.lowest <= 25:
        return ColumnDraft(name.text, quantity, missing=(f"unit: degC? it never falls below {figures.lowest:g}",))
    fahrenheit = (figures.lowest - 32) / 1.8
    told = f"{figures.lowest:g} to {figures.highest:g}; in Fahrenheit its lowest would be {fahrenheit:.0f} degC"
    if name.unit is None and fahrenheit > -8:
        return ColumnDraft(name.text, quantity, missing=(f"unit: degC? {told}",))
    return ColumnDraft(name.text, quantity, why=(told,) if name.unit is None else ())


def _plain(quantity: str) -> Callable[[Name, Figures], ColumnDraft]:
    return lambda name, figures: ColumnDraft(name.text, quantity, why=(f"{figures.lowest:g} to {figures.highest:g}",))


def _share(name: Name, figures: Figures) -> ColumnDraft:
    if figures.highest <= 1.5:
        return ColumnDraft(name.text, "battery_soc", missing=("unit: %? it never exceeds 1.5",))
    return _plain("battery_soc")(name, figures)


_BY_DIMENSION: dict[str, Callable[[Name, Figures], ColumnDraft]] = {
    "power": _power, "energy": _energy, "voltage": _voltage, "current": _current, "irradiance": _irradiance,
    "temperature": _temperature, "frequency": _plain("ac_frequency"), "speed": _plain("wind_speed"),
    "share": _share, "code": _plain("status"),
}  # fmt: skip


def _in_range(draft: ColumnDraft, figures: Figures) -> ColumnDraft:
    """The same, or with a doubt when the numbers lie outside what the quantity can be."""
    if draft.quantity not in RANGES or draft.missing or not figures.values.any():
        return draft
    low, high = RANGES[draft.quantity]
    typical = figures.typical()
    if low <= typical[0] and typical[1] <= high:
        return draft
    doubt = f"unit: {draft.quantity} of {typical[0]:g} to {typical[1]:g} {draft.unit or ''}?"
    return replace(draft, unit=None, missing=(doubt.rstrip(),))


def _flow(name: Name) -> str | None:
    """Whose power or energy it is if not the roof's."""
    flows = [f for f in ("import", "export", "battery", "diverter", "charger") if f in name.says]
    return flows[0] if len(flows) == 1 else None


def _is_grid(name: Name) -> bool:
    return bool({"grid", "mains", "netz", "reseau", "red"} & set(name.words)) or "meter" in name.says


def _side_words(quantity: str) -> str:
    return "the DC side" if quantity.startswith("dc") else "the AC side"


assert set(_BY_DIMENSION) <= {q.dimension for q in QUANTITIES.values()}
