"""TODO reports.document.results."""

from __future__ import annotations

import json
import math
from collections.abc import Mapping
from dataclasses import asdict, is_dataclass
from typing import Any

import numpy as np
import pandas as pd

from reports.model import ReportContents

__all__ = ["results"]


def _json(value: object, indent: int | None = None) -> str:
    separators = None if indent else (",", ":")
    return json.dumps(
        value, ensure_ascii=False, indent=indent, separators=separators, allow_nan=False
    )


def results(contents: ReportContents) -> dict[str, Any]:
    """Return everything of the exploration that a program may want, as plain JSON values.

    Infinite numbers are written ``"Infinity"`` and ``"-Infinity"`` (``float`` reads them back),
    missing ones ``null``.
    """
    readable, pick = contents.readable, contents.pick
    return {
        "title": contents.title,
        "scenario": contents.scenario,
        "job": list(contents.job),
        "feasible": contents.feasible,
        "blocking": list(contents.blocking),
        "method": list(contents.method),
        "uses": [_plain(use) for use in contents.uses],
        "constants": _plain(contents.constants),
        "part_labels": dict(contents.part_labels),
        "pick": {
            "candidate": _plain(readable.iloc[0].to_dict()) if len(readable) else None,
            "reasons": list(contents.pick_reasons),
            "device": pick.device.name,
            "stage": _first_of(pick.stage.numeric_fields()),
            "operating_point": _first_of(pick.point.numeric_fields()),
        },
        "parts": [_plain(line) for line in contents.parts],
        "limits": _records(contents.limits),
        "readable": _records(readable),
        "front": _records(contents.front),
        "search_trace": None if contents.search_trace is None else _records(contents.search_trace),
        "assumptions": list(contents.assumptions),
        "sources": list(contents.sources),
        "cautions": list(contents.cautions),
    }


def _first_of(fields: Mapping[str, Any]) -> dict[str, Any]:
    return {name: _plain(np.ravel(value)[0]) for name, value in fields.items()}


def _records(frame: pd.DataFrame) -> list[dict[str, Any]]:
    names = [str(name) for name in frame.columns]
    return [
        {name: _plain(value) for name, value in zip(names, row, strict=True)}
        for row in frame.itertuples(index=False, name=None)
    ]


def _plain(value: object) -> Any:
    if value is None or isinstance(value, str):
        return value
    if isinstance(value, (bool, np.bool_)):
        return bool(value)
    if isinstance(value, (float, np.floating)):
        plain = float(value)
        if math.isnan(plain):
            return None
        return plain if math.isfinite(plain) else ("Infinity" if plain > 0 else "-Infinity")
    if isinstance(value, (int, np.integer)):
        return int(value)
    if is_dataclass(value) and not isinstance(value, type):
        return _plain(asdict(value))
    if isinstance(value, Mapping):
        return {str(k): _plain(v) for k, v in value.items()}
    if isinstance(value, (list, tuple)):
        return [_plain(v) for v in value]
    return str(value)
