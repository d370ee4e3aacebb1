"""The JSON Schema of a brief, for editors."""

from __future__ import annotations

import math
from typing import Any

from explorer.brief.model import Brief


def brief_schema() -> dict[str, Any]:
    """Return the JSON Schema (draft 2020-12) of a brief, for editors."""
    schema = Brief.model_json_schema(by_alias=True)
    schema["$schema"] = "https://json-schema.org/draft/2020-12/schema"
    schema["title"] = "stagefront brief"
    cleaned = _without_null(schema)
    assert isinstance(cleaned, dict)
    return cleaned


def _without_null(node: Any) -> Any:
    """Drop the null alternatives: TOML has no null, a key is left out instead."""
    if isinstance(node, list):
        return [_without_null(item) for item in node]
    if not isinstance(node, dict):
        return node
    node = {
        key: _without_null(item)
        for key, item in node.items()
        if not (key == "default" and (item is None or item == math.inf))
    }
    options = node.get("anyOf")
    if isinstance(options, list) and {"type": "null"} in options:
        kept = [option for option in options if option != {"type": "null"}]
        if len(kept) == 1:
            del node["anyOf"]
            return {**kept[0], **node}
        node["anyOf"] = kept
    return node
