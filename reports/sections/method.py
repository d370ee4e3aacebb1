"""TODO reports.sections.method."""

from __future__ import annotations

from reports.charts.search_trace import trace_chart
from reports.model import Block, Figure, Prose, ReportContents, Section


def _method(contents: ReportContents) -> Section:
    blocks: list[Block] = [Prose(list(contents.method))]
    trace = contents.search_trace
    if trace is not None and len(trace) > 1:
        blocks.append(
            Figure("search", trace_chart(trace), "Hypervolume of the front as the search went on.")
        )
    return Section("method", "How the front was found", blocks)
