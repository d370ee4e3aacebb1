"""What draws charts: a library that takes seconds to start, and works outside Python's lock."""

from __future__ import annotations

from concurrent.futures import ThreadPoolExecutor
from typing import Final

import vl_convert

ASIDE: Final = ThreadPoolExecutor(max_workers=1)
"""The one thread that draws, one chart after another, while all else goes on."""


def chart_bundle() -> str:
    """Return Vega, Vega-Lite and Vega-Embed as one script; the library keeps what it has made."""
    return str(vl_convert.javascript_bundle())  # type: ignore[call-arg]  # none is needed


def start_drawing() -> None:
    """Let the library start, and put together the script that draws charts in a page."""
    ASIDE.submit(chart_bundle)
