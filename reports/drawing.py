"""What draws charts, and loads little besides: other processes draw too."""

from __future__ import annotations

import re
from functools import cache
from importlib.metadata import version

import vl_convert

from objectives.kept import kept


@cache
def chart_script() -> str:
    """Return Vega, Vega-Lite and Vega-Embed as one script that may stand inside a page.

    To put it together takes seconds, so it is kept.
    """

    def made() -> bytes:
        script = str(vl_convert.javascript_bundle())  # type: ignore[call-arg]  # none is needed
        # "</script" inside a string of the library would end the element that it stands in.
        return script.replace("</script", "<\\/script").encode()

    return kept(f"charts-{version('vl-convert-python')}", made).decode()


def svg_text(spec: str) -> str:
    """Return a Vega-Lite specification, given as JSON, drawn as SVG without any network."""
    svg = str(vl_convert.vegalite_to_svg(spec, allowed_base_urls=[]))
    # The library numbers its clip paths through the life of the process; from 1 in each drawing
    # the same chart is the same text.
    numbers: dict[str, str] = {}
    return re.sub(
        r"\bclip\d+\b", lambda m: numbers.setdefault(m[0], f"clip{len(numbers) + 1}"), svg
    )
