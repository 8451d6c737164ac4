"""Random numbers by name: one seed and a name give one stream, whatever else is drawn before or after."""

from __future__ import annotations

import zlib

import numpy as np
import numpy.typing as npt
from scipy.signal import lfilter

Floats = npt.NDArray[np.float64]
Flags = npt.NDArray[np.bool_]


def stream(seed: int, *names: object) -> np.random.Generator:
    """A generator of its own for whatever the names say."""
    return np.random.default_rng([seed, *(zlib.crc32(str(name).encode()) for name in names)])


def red_noise(white: Floats, memory_steps: float) -> Floats:
    """Turn white noise (time along the last axis) into an AR(1) series of unit variance."""
    rho = float(np.exp(-1.0 / memory_steps))
    started = white.copy()
    started[..., 0] /= np.sqrt(1.0 - rho**2)
    return np.asarray(lfilter([np.sqrt(1.0 - rho**2)], [1.0, -rho], started, axis=-1))


def bounded(rng: np.random.Generator, sigma: float, limit: float) -> float:
    """A normal draw around zero that never leaves +-limit."""
    return float(np.clip(rng.normal(0.0, sigma), -limit, limit))
