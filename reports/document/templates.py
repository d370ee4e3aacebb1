"""The templates of the pages, and what may stand inside a page that needs no network."""

from __future__ import annotations

from functools import cache
from importlib import resources

import jinja2
from markupsafe import Markup, escape

from objectives.json_text import json_text
from reports.document.blocks import subscripts
from reports.theme import css_colours


@cache
def environment() -> jinja2.Environment:
    """Return the templates, with two filters.

    ``formula`` sets low what follows an underscore, ``share`` writes a share as a style's per cent.
    """
    templates = jinja2.Environment(
        loader=jinja2.PackageLoader("reports", "templates"),
        autoescape=True,
        undefined=jinja2.StrictUndefined,
    )
    templates.filters["share"] = lambda share: f"{100 * share:.2f}%"
    templates.filters["formula"] = lambda text: Markup(subscripts(str(escape(text))))
    return templates


def asset(name: str) -> Markup:
    """Return a style or a script as it stands beside the templates."""
    return Markup(resources.files("reports").joinpath("templates", name).read_text("utf-8"))


def base_style() -> Markup:
    """Return the style that every page shares: its colours, letters and tables."""
    return Markup(css_colours()) + asset("base.css")


def script_json(value: object) -> Markup:
    """Return JSON that may stand inside a script element."""
    text = json_text(value).replace("<", "\\u003c")
    return Markup(text.replace("\u2028", "\\u2028").replace("\u2029", "\\u2029"))
