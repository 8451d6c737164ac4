"""Every kind of proof, and its picture."""

from __future__ import annotations

from matplotlib.figure import Figure

from monitor.report.proof.against import Against, against_figure
from monitor.report.proof.ratio import DailyRatio, ratio_figure
from monitor.report.proof.registers import TwoRegisters, registers_figure
from monitor.report.proof.side_by_side import TellingDay, side_by_side_figure
from monitor.report.proof.sky import NewShade, new_shade_figure

Proof = TellingDay | DailyRatio | NewShade | TwoRegisters | Against


def proof_figure(proof: Proof) -> Figure:
    """The picture of a proof."""
    if isinstance(proof, TellingDay):
        return side_by_side_figure(proof)
    if isinstance(proof, DailyRatio):
        return ratio_figure(proof)
    if isinstance(proof, TwoRegisters):
        return registers_figure(proof)
    if isinstance(proof, Against):
        return against_figure(proof)
    return new_shade_figure(proof)
