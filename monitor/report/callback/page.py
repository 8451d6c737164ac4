"""The pack as one page for browser and printer; every picture is inside."""

from __future__ import annotations

import base64
from collections.abc import Sequence

from markupsafe import Markup

from monitor.report.callback.blocks import Block
from monitor.report.callback.pack import Pack
from monitor.report.templating import render_sheet


def callback_page(pack: Pack, blocks: Sequence[Block]) -> str:
    """HTML with all of the blocks."""
    first, last = pack.asked
    context = {"title": f"{pack.site.site.name}, {first} to {last}", "blocks": blocks, "encoded": _encoded}
    return render_sheet("callback.html", "callback.css.jinja", context)


def _encoded(data: bytes) -> Markup:
    """Bytes as base64, which no one-line rule may shorten."""
    return Markup(base64.b64encode(data).decode("ascii"))
