"""What a lost kilowatt-hour is worth to a home."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

import numpy as np

from monitor.config.models import Site
from monitor.model.history import SiteHistory

Basis = Literal["grid_meter", "import_price"]

# So many whole days of a grid meter tell how much of its energy a home gives away.
_LEAST_DAYS, _YEAR = 60, 365


@dataclass(frozen=True, slots=True)
class Price:
    """Worth of a lost kWh in the fleet's currency, what it rests on, and the share that would have been exported."""

    per_kwh: float
    basis: Basis
    exported_share: float | None = None


def kwh_price(site: Site, past: SiteHistory) -> Price | None:
    """Price of a lost kWh; None without a tariff.

    Where a grid meter has shown for sixty days what share of the energy made leaves the home, that share is worth the
    export price and the rest the import price. Elsewhere nobody knows, and the import price is assumed for all of it.
    """
    if site.tariff is None:
        return None
    for subject in (*(f"meter:{m.id}" for m in site.meter if m.role == "grid"), "site"):
        given_days, given = past.series(subject, "exported_kwh")
        made_days, made = past.series(subject, "made_kwh")
        _, a, b = np.intersect1d(given_days[-_YEAR:], made_days[-_YEAR:], return_indices=True)
        total = float(np.sum(made[-_YEAR:][b]))
        if a.size >= _LEAST_DAYS and total > 0.0:
            share = min(max(float(np.sum(given[-_YEAR:][a])) / total, 0.0), 1.0)
            price = share * site.tariff.export_per_kwh + (1.0 - share) * site.tariff.import_per_kwh
            return Price(price, "grid_meter", share)
    return Price(site.tariff.import_per_kwh, "import_price")
