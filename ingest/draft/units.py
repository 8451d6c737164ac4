"""W or kW, Wh or kWh, where no name says it: by what the roof can give, and by power and energy together."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import replace

import numpy as np

from ingest.draft.figures import Figures
from ingest.draft.proposal import ColumnDraft, Roof

_IMPOSSIBLE = 2.0  # of the nameplate
_WELL_LIT = 0.25
_KWH_PER_KWP = 12.0
_BY_DAY = 0.3  # kWh per kWp of a day that is no dead one
_DAY_S = 86_400


def settle_units(
    drafts: Sequence[ColumnDraft], figures: Mapping[str, Figures], roof: Roof | None, *, interval_s: int
) -> list[ColumnDraft]:
    """The columns with their units, or with the choice left open."""
    powers = [_settle_power(d, figures.get(d.column), roof) for d in drafts]
    return [_settle_energy(d, figures.get(d.column), powers, figures, roof, interval_s) for d in powers]


def rating_of(subject: str | None, roof: Roof) -> float:
    """Nameplate power behind a subject [W]; the whole roof's where it has none of its own."""
    kind, _, name = (subject or "").partition(":")
    known = {"string": roof.strings, "inverter": roof.inverters}.get(kind, {})
    return known.get(name) or roof.rated_w


def _settle_power(draft: ColumnDraft, figures: Figures | None, roof: Roof | None) -> ColumnDraft:
    if not _waits_for_unit(draft, "power") or figures is None:
        return draft
    if roof is None or draft.quantity not in ("ac_power", "dc_power"):
        return replace(draft, missing=(*draft.missing, "unit: W or kW"))
    rated, highest = rating_of(draft.of, roof), figures.highest
    if highest > _IMPOSSIBLE * rated / 1000.0 and highest <= _IMPOSSIBLE * rated:
        return replace(
            draft, unit="W", why=(*draft.why, f"up to {highest:g}, more than {rated / 1000:g} kWp can in kW")
        )
    if not figures.is_whole and _WELL_LIT * rated / 1000.0 < highest <= _IMPOSSIBLE * rated / 1000.0:
        return replace(draft, unit="kW", why=(*draft.why, f"up to {highest:g}, as {rated / 1000:g} kWp do in kW"))
    return replace(draft, missing=(*draft.missing, f"unit: W or kW (up to {highest:g})"))


def _settle_energy(
    draft: ColumnDraft, figures: Figures | None, powers: Sequence[ColumnDraft], known: Mapping[str, Figures],
    roof: Roof | None, interval_s: int,
) -> ColumnDraft:  # fmt: skip
    if not _waits_for_unit(draft, "energy") or figures is None:
        return draft
    counted = _counted(draft, figures)
    factor = _by_power(draft, counted, powers, known, interval_s)
    if factor is not None:
        return replace(draft, unit=factor, why=(*draft.why, "agrees with the power beside it"))
    if roof is None or draft.quantity != "ac_energy":
        return replace(draft, missing=(*draft.missing, "unit: Wh or kWh"))
    days = max((figures.times.max() - figures.times.min()) / _DAY_S, 0.1)
    per_day, kwp = counted / days, rating_of(draft.of, roof) / 1000.0
    if per_day > _KWH_PER_KWP * kwp and per_day <= 1000.0 * _KWH_PER_KWP * kwp:
        return replace(draft, unit="Wh", why=(*draft.why, f"{per_day:.3g} a day, more than {kwp:.3g} kWp can in kWh"))
    if not figures.is_whole and _BY_DAY * kwp < per_day and days >= 1:
        return replace(draft, unit="kWh", why=(*draft.why, f"{per_day:.3g} a day, as {kwp:.3g} kWp give in kWh"))
    return replace(draft, missing=(*draft.missing, f"unit: Wh or kWh ({per_day:.3g} a day)"))


def _waits_for_unit(draft: ColumnDraft, dimension: str) -> bool:
    return draft.is_reading and draft.unit is None and (draft.quantity or "").endswith(f"_{dimension}")


def _counted(draft: ColumnDraft, figures: Figures) -> float:
    """The whole energy of the column in its unit."""
    if draft.reads == "counter":
        return float(np.maximum(figures.steps, 0.0).sum())
    return float(figures.values.sum())


def _by_power(
    draft: ColumnDraft, counted: float, powers: Sequence[ColumnDraft], known: Mapping[str, Figures], interval_s: int
) -> str | None:
    """The unit in which the energy is the power's integral."""
    power = next((p for p in powers if p.quantity == "ac_power" and p.of == draft.of and p.unit and p.of), None)
    if power is None or draft.quantity != "ac_energy" or counted <= 0:
        return None
    watts = np.maximum(known[power.column].values, 0.0) * (1000.0 if power.unit == "kW" else 1.0)
    kwh = float(watts.sum()) * interval_s / 3.6e6
    for unit, factor in (("kWh", 1.0), ("Wh", 0.001)):
        if kwh > 0 and 0.5 < counted * factor / kwh < 2.0:
            return unit
    return None
