"""Results as JSON text, one way for everything that the program writes."""

from __future__ import annotations

import json
import math
from collections.abc import Mapping, Sequence
from dataclasses import asdict, is_dataclass
from functools import partial
from typing import Any

import numpy as np


def json_text(value: object, *, indent: int | None = None, ascii: bool = False) -> str:
    """Return a value as valid JSON: on one line, or indented by so many spaces.

    With ``ascii`` every other character is written by its number.
    """
    write = partial(
        json.dumps,
        ensure_ascii=ascii,
        indent=indent,
        separators=None if indent else (",", ":"),
        allow_nan=False,
    )
    try:
        return write(value)
    except (TypeError, ValueError):  # not of JSON's own types alone
        return write(json_value(value))


def json_value(value: object) -> Any:
    """Return a value in the types that JSON has.

    JSON has no infinite number: these are written ``"Infinity"`` and ``"-Infinity"``, which
    ``float`` reads back. A missing number (nan) is ``null``. Arrays become lists, records objects;
    anything else is written as its text.
    """
    if isinstance(value, np.ndarray | np.generic):
        value = value.tolist()
    if isinstance(value, float) and not math.isfinite(value):
        return None if math.isnan(value) else ("Infinity" if value > 0 else "-Infinity")
    if value is None or isinstance(value, bool | int | float | str):
        return value
    if is_dataclass(value) and not isinstance(value, type):
        value = asdict(value)
    if isinstance(value, Mapping):
        return {str(key): json_value(entry) for key, entry in value.items()}
    if isinstance(value, Sequence):
        return [json_value(entry) for entry in value]
    return str(value)
