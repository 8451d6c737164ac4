"""What a home's router loses."""

from __future__ import annotations

import numpy as np

from monitor.demo.chance import Flags
from monitor.demo.span import STEPS_PER_DAY, STEPS_PER_HOUR, Span


def router_gaps(span: Span, rng: np.random.Generator) -> Flags:
    """Steps that a home's router lost: long spells of order, short ones without a line (Gilbert and Elliott)."""
    lost = np.zeros(len(span), bool)
    at = int(rng.exponential(10.0 * STEPS_PER_DAY))
    while at < len(span):
        length = int(np.clip(rng.lognormal(0.5, 1.0), 0.2, 10.0) * STEPS_PER_HOUR)
        lost[at : at + length] = True
        at += length + 1 + int(rng.exponential(10.0 * STEPS_PER_DAY))
    return lost
