"""TODO explorer.cli.command."""

from __future__ import annotations

import sys

from explorer.cli import assess, check, devices, explore, fit  # noqa: F401 (enter commands)
from explorer.cli.app import app
from explorer.cli.printing import INTERRUPTED, OK, err

__all__ = ["main"]


def main() -> None:
    """Run the command line."""
    try:
        app()
    except KeyboardInterrupt:
        err.print("interrupted")
        sys.exit(INTERRUPTED)
    except BrokenPipeError:
        sys.exit(OK)
