"""Pictures that take a while to draw: of findings, and of what stands before a sky."""

from __future__ import annotations

from monitor.report.board.site import Drawings
from monitor.report.figures import finding_figure, png
from monitor.report.sunpath import sunpath_figure


def draw(drawings: Drawings, name: str) -> bytes:
    """The picture of this name as a PNG."""
    sky = drawings.skies.get(name)
    if sky is not None:
        return png(sunpath_figure(sky.view))
    return png(finding_figure(drawings.findings[name]))
