"""The briefs shipped with the package, by name; apart, so that help need not read any."""

from __future__ import annotations

from importlib.resources import files


def shipped_briefs() -> tuple[str, ...]:
    """Return the names of the briefs shipped with the package, for ``load_brief``.

    Examples
    --------
    >>> import explorer
    >>> "treble-cut" in explorer.shipped_briefs()
    True
    """
    names = (entry.name for entry in (files("explorer") / "briefs").iterdir())
    return tuple(sorted(n.removesuffix(".toml") for n in names if n.endswith(".toml")))
