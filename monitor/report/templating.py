"""The templates' surroundings: every value that comes in is one line, escaped in HTML and folded in text."""

from __future__ import annotations

import re
import textwrap
from collections.abc import Mapping
from functools import cache
from pathlib import Path
from typing import Any

import css_inline
from jinja2 import Environment, FileSystemLoader, StrictUndefined
from markupsafe import Markup

from monitor.report import style
from monitor.report.words import one_line

TEXT_COLUMNS = 76
_FOLDER = Path(__file__).parent / "templates"


class Laid(str):
    """Plain text whose line breaks are ours."""


def render_html(template: str, context: Mapping[str, Any]) -> str:
    """A page with its style written into every element, as mail programs need it."""
    page = _environment(html=True).get_template(template)
    html = page.render(context, css=_css("page.css.jinja"), width=style.PICTURE_WIDTH)
    inlined: str = _inliner().inline(re.sub(r"\n\s*\n+", "\n", html))
    # The inliner leaves < in attributes as it is. That is right, but not every mail program's filter knows.
    inlined = re.sub(r'(?<= alt=")[^"]*', lambda m: m[0].replace("<", "&lt;").replace(">", "&gt;"), inlined)
    # Rules for phones and the dark cannot stand in an element, so they are added after; no text from outside holds a
    # bare tag.
    rules = _css("phone.css.jinja") + _css("dark.css.jinja")
    return inlined.replace("</head>", f"<style>{rules}</style>\n</head>", 1)


def render_sheet(template: str, css: str, context: Mapping[str, Any]) -> str:
    """A page for a browser and a printer, with its rules in one place."""
    return re.sub(r"\n\s*\n+", "\n", _environment(html=True).get_template(template).render(context, css=_css(css)))


def render_plain(template: str, context: Mapping[str, Any]) -> str:
    """A page whose rules stand in a file beside it."""
    return re.sub(r"\n\s*\n+", "\n", _environment(html=True).get_template(template).render(context))


def render_picture(template: str, context: Mapping[str, Any]) -> str:
    """A picture in SVG."""
    return re.sub(r"\s*\n\s*", "\n", _environment(html=True).get_template(template).render(context))


def stylesheet(*names: str) -> str:
    """Rules for a file of their own, in this order."""
    return "".join(_css(name) for name in names)


def own_file(name: str) -> str:
    """A file of ours that goes out as it is."""
    return (_FOLDER / name).read_text("utf-8")


def render_text(template: str, context: Mapping[str, Any]) -> str:
    """A plain page; never more than one empty line at a time."""
    text = _environment(html=False).get_template(template).render(context)
    return re.sub(r"\n{3,}", "\n\n", text).strip() + "\n"


def fold(text: str, lead: str = "") -> Laid:
    """Text as lines of at most TEXT_COLUMNS; the first begins with `lead`, the others stand below it."""
    lines = textwrap.wrap(
        one_line(text), TEXT_COLUMNS, initial_indent=lead, subsequent_indent=" " * len(lead), break_on_hyphens=False
    )
    return Laid("\n".join(lines))


def capitalize_first(text: str) -> str:
    """A capital at the beginning; the rest as it is, for names are no sentences."""
    return text[:1].upper() + text[1:]


@cache
def _environment(*, html: bool) -> Environment:
    environment = Environment(
        loader=FileSystemLoader(_FOLDER),
        autoescape=html,
        undefined=StrictUndefined,
        finalize=_finalize,
        trim_blocks=True,
        lstrip_blocks=True,
    )
    environment.filters |= {"fold": fold, "laid": Laid, "capitalize_first": capitalize_first}
    return environment


def _finalize(value: Any) -> Any:
    if isinstance(value, str) and not isinstance(value, (Laid, Markup)):
        return one_line(value)
    return value


@cache
def _css(name: str) -> Markup:
    """Our own rules; nothing in them comes from outside."""
    template = _environment(html=False).get_template(name)
    return Markup(template.render(light=style.LIGHT, dark=style.DARK, loss=style.LOSS, width=style.PICTURE_WIDTH))


@cache
def _inliner() -> css_inline.CSSInliner:
    return css_inline.CSSInliner(keep_style_tags=False, load_remote_stylesheets=False)
