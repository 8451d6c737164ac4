"""Key figures of a plant by IEC 61724-1."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from ingest.readings import Values

REFERENCE_W_M2 = 1000.0


@dataclass(frozen=True, slots=True)
class Yields:
    """Reference and final yield [h] and performance ratios [-]."""

    reference_h: float
    final_h: float
    performance_ratio: float
    performance_ratio_stc: float
    performance_ratio_annual: float


def yields(ac_w: Values, plane_w_m2: Values, module_c: Values, *, hours: float, rated_kw: float, gamma_per_c: float,
           mean_c: float | None = None) -> Yields:  # fmt: skip
    """Yields and performance ratios of one span.

    Parameters
    ----------
    ac_w, plane_w_m2, module_c : array of shape (T,)
        Delivered power [W], plane irradiance [W/m2], module temperature [degC].
    hours : float
        Length of one interval [h].
    rated_kw : float
        Nameplate [kW].
    gamma_per_c : float
        Temperature coefficient of power [1/K], negative for silicon.
    mean_c : float, optional
        Irradiance-weighted mean module temperature of the reference year; the span's own when left out.

    Returns
    -------
    Yields
        NaN ratios where the plane got no irradiance.

    References
    ----------
    IEC 61724-1:2021; Dierauf et al., "Weather-corrected performance ratio", NREL/TP-5200-57991 (2013).
    """
    reference = float(np.sum(plane_w_m2) * hours / REFERENCE_W_M2)
    final = float(np.sum(ac_w) * hours / 1000.0 / rated_kw)
    if reference <= 0.0:
        return Yields(reference, final, np.nan, np.nan, np.nan)
    mean = float(np.average(module_c, weights=plane_w_m2)) if mean_c is None else mean_c
    at_25 = float(np.sum((1.0 + gamma_per_c * (module_c - 25.0)) * plane_w_m2) * hours / REFERENCE_W_M2)
    at_mean = float(np.sum((1.0 + gamma_per_c * (module_c - mean)) * plane_w_m2) * hours / REFERENCE_W_M2)
    return Yields(reference, final, final / reference, final / at_25, final / at_mean)
