"""How the front was found: by evaluating every candidate, by a search, or both."""

from __future__ import annotations

import math

from objectives.format import counted, percent
from reports.charts.search_trace import trace_chart, trace_title
from reports.layout import Block, Figure, Prose, Section
from reports.model import ReportData, SearchSummary


def method_section(data: ReportData) -> Section:
    """Return what was worked out, and how the hypervolume grew."""
    blocks: list[Block] = [Prose(method_sentences(data))]
    trace = data.search_trace
    if trace is not None and len(trace) > 1:
        blocks.append(
            Figure(
                "search",
                trace_chart(trace),
                "Hypervolume of the front during the search.",
                trace_title(trace),
            )
        )
    return Section("method", "How the front was found", blocks)


def method_sentences(data: ReportData) -> list[str]:
    """Return what was worked out, a paragraph an item."""
    texts = []
    if data.exact is not None:
        texts.append(_exact(data, data.exact))
    if data.searched is not None:
        texts.append(_searched(data, data.searched))
    if data.feasible:
        texts.append(
            f"Hypervolume of the front: {data.hypervolume:.4f} of the box that spans it, with 10 % "
            "added on the worse side of every score."
        )
    if data.interrupted:
        texts.append("The run was interrupted; the results are those reached by then.")
    return texts


def _exact(data: ReportData, run: SearchSummary) -> str:
    evaluated = f"only {counted(run.evaluated)}" if run.interrupted else "every one"
    kept = (
        f"{counted(run.feasible)} keep every limit, and no other candidate beats "
        f"{counted(data.front_size)} of those."
        if data.feasible
        else "none keeps every limit."
    )
    return (
        f"Exact front: {evaluated} of the {counted(int(data.space))} candidates was evaluated; "
        f"{kept}"
    )


def _searched(data: ReportData, run: SearchSummary) -> str:
    size = f"{counted(int(data.space))} candidates" if math.isfinite(data.space) else (
        "a continuous space"
    )  # fmt: skip
    lead = "For comparison, a search" if data.exact is not None else "Searched front: a search"
    text = (
        f"{lead} (Optuna) evaluated {counted(run.evaluated)} of {size}; "
        f"{counted(run.feasible)} keep every limit."
    )
    if data.search_share is not None:
        return (
            f"{text} It reached {percent(data.search_share, 1)} of the exact front's hypervolume."
        )
    return text if data.exact is not None else f"{text} Better candidates may remain."
