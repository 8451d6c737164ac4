"""Writes the fleet file, the site files and the layouts of a demo fleet."""

from __future__ import annotations

import json
from collections.abc import Iterator
from pathlib import Path

import numpy as np

from monitor.demo.plans import Export, Home, Wire

HANDOVER_W_M2, HANDOVER_C = 780.0, 41.0


def write_fleet_file(folder: Path, name: str, zone: str) -> None:
    """Write `fleet.toml`; without a mail section, so that nothing can leave the machine."""
    lines = [
        "[fleet]",
        f"name = {_text(name)}",
        f"timezone = {_text(zone)}",
        'currency = "GBP"',
        'phone = "01632 960555"',
    ]
    _write(folder / "fleet.toml", [*lines, "", "[store]", 'url = "sqlite:///aftercare.db"'])


def write_site_file(folder: Path, home: Home, zone: str) -> None:
    """Write `sites/ID.toml`."""
    lines = [*_site(home, zone)]
    for roof in home.roofs:
        lines += _table("plane", id=roof.id, tilt_deg=roof.tilt_deg, azimuth_deg=roof.azimuth_deg)
    for converter in home.converters:
        lines += _table("inverter", id=converter.id, rated_ac_w=converter.make.rated_w)
    for wire in home.wires:
        lines += _string(wire)
    for gauge in home.gauges:
        tied = {"inverter": gauge.inverter} if gauge.inverter is not None else {}
        lines += _table("meter", id=gauge.id, role=gauge.role, **tied)
    lines += _handover(home)
    for export in home.exports:
        lines += _source(home, export)
    _write(folder / "sites" / f"{home.id}.toml", lines)


def write_layouts(folder: Path, homes: list[Home]) -> None:
    """Write every layout that some home's source names."""
    for export in (e for home in homes for e in home.exports if e.layout is not None):
        _write(folder / "layouts" / f"{export.layout}.toml", [_time(export), *_columns(export)])


def _site(home: Home, zone: str) -> Iterator[str]:
    yield "[site]"
    yield from _pairs(id=home.id, name=home.name, latitude=home.stated[0], longitude=home.stated[1])
    yield from _pairs(altitude_m=home.place.altitude_m, timezone=zone)
    yield f"commissioned = {home.commissioned.isoformat()}"
    if home.quoted_kwh is not None:
        yield f"quoted_kwh_per_year = {home.quoted_kwh}"
    if home.export_limit_w is not None:
        yield f"export_limit_w = {home.export_limit_w:g}"
    yield f"homeowner_email = [{_text(home.id + '@example.org')}]"
    if home.tariff is not None:
        yield from ("", "[tariff]", *_pairs(import_per_kwh=home.tariff[0], export_per_kwh=home.tariff[1]))


def _string(wire: Wire) -> list[str]:
    label = wire.module.nameplate
    lines = _table("string", id=wire.id, inverter=wire.inverter, plane=wire.roof, modules=wire.modules)
    lines.append(f"module_electronics = {str(wire.electronic).lower()}")
    return [
        *lines, "[string.module]",
        *_pairs(pmp_w=label.pmp_w, vmp_v=label.vmp_v, imp_a=label.imp_a, voc_v=label.voc_v, isc_a=label.isc_a),
        f"gamma_pmp_pct_per_c = {label.gamma_pct_per_k}",
    ]  # fmt: skip


def _handover(home: Home) -> Iterator[str]:
    """What a tester showed on the bright day of the handover, where the volts of strings are logged afterwards."""
    if not any(column.quantity == "dc_voltage" for export in home.exports for column in export.columns):
        return
    yield from ("", "[handover]", f"date = {home.commissioned.isoformat()}")
    yield from _pairs(irradiance_w_m2=HANDOVER_W_M2, module_temperature_c=HANDOVER_C)
    light, cell = np.array([HANDOVER_W_M2]), np.array([HANDOVER_C])
    for wire in home.wires:
        voc, vmp, imp = (float(wire.module.at(what, light, cell)[0]) for what in ("v_oc", "v_mp", "i_mp"))
        yield from _table(
            "handover.string", id=wire.id, voc_v=round(wire.modules * voc, 1), vmp_v=round(wire.modules * vmp, 1),
            imp_a=round(wire.hidden.gain * imp, 2),
        )  # fmt: skip


def _source(home: Home, export: Export) -> list[str]:
    lines = _table(
        "source", id=export.id, kind="registers" if export.shape == "registers" else "table",
        files=f"incoming/{home.id}/{export.stem}_*.csv", interval_minutes=export.interval_minutes,
    )  # fmt: skip
    if export.layout is not None:
        return [*lines, f"layout = {_text(f'layouts/{export.layout}.toml')}"]
    return [*lines, _time(export), *_MEANINGS[export.shape](export)]


def _time(export: Export) -> str:
    dialect = export.dialect
    form = f", format = {_text(dialect.time_format)}" if dialect.time_format is not None else ""
    column, zone = _text(dialect.time_column), _text(dialect.zone)
    return f"time = {{ column = {column}, zone = {zone}{form}, marks = {_text(dialect.marks)} }}"


def _columns(export: Export) -> list[str]:
    rows = [
        f"  {{ column = {_text(c.name)}, quantity = {_text(c.quantity)}, of = {_text(c.of)}, unit = {_text(c.unit)}"
        + (f", reads = {_text(c.reads)} }}," if c.reads != "mean" else " },")
        for c in export.columns
    ]
    return ["columns = [", *rows, "]"]


def _long(export: Export) -> list[str]:
    return [
        'long = { subject = "module", value = "power_w", quantity = "dc_power", unit = "W",'
        ' pattern = "{string}-{module}" }'
    ]


def _registers(export: Export) -> list[str]:
    column = export.columns[0]
    return [
        'registers = { unit_id = "unit", address = "address", word = "word" }',
        "map = [",
        f'  {{ unit_id = {export.unit_id}, address = {export.address}, type = "uint32", word_order = "big",'
        f" scale = {10.0**-column.decimals}, quantity = {_text(column.quantity)}, of = {_text(column.of)},"
        f" unit = {_text(column.unit)}, reads = {_text(column.reads)} }},",
        "]",
    ]


_MEANINGS = {"wide": _columns, "long": _long, "registers": _registers}


def _table(name: str, **values: str | float) -> list[str]:
    return ["", f"[[{name}]]", *_pairs(**values)]


def _pairs(**values: str | float) -> list[str]:
    return [f"{key} = {_text(value) if isinstance(value, str) else f'{value:g}'}" for key, value in values.items()]


def _text(text: str) -> str:
    return json.dumps(text)


def _write(path: Path, lines: list[str]) -> None:
    path.parent.mkdir(parents=True, exist_ok=True)
    path.write_bytes(("\n".join(lines).strip("\n") + "\n").encode())
