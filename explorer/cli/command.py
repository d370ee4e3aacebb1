"""The entry point of the ``stagefront`` command."""

from __future__ import annotations

import atexit
import gc
import os
import sys
import traceback
import warnings

from explorer.cli import (  # noqa: F401 (enter commands)
    assess,
    check,
    devices,
    explore,
    fit,
    new,
    show,
    teach,
    vary,
)
from explorer.cli.app import DEFECT, NOT_WRITTEN, app
from explorer.cli.printing import err
from explorer.cli.stopping import heed_sigterm
from explorer.cli.streams import STANDARD_OUTPUT, bearing_anything


def main() -> None:
    """Run the command line.

    Bad input and files that cannot be written have left by their own exit codes; what arrives here
    is a full disk under standard output, or a defect, which is shown with its traceback.
    """
    # The matrices here are small: shared among threads they take half as long again, or more.
    os.environ.setdefault("OPENBLAS_NUM_THREADS", "1")
    # What modules make stays until the end: looking among it for garbage, on the way and when all
    # is taken down, would be a quarter of a short command.
    gc.set_threshold(100_000)
    atexit.register(gc.freeze)
    # There are none, and looking for them reads the metadata of every package.
    os.environ.setdefault("PYDANTIC_DISABLE_PLUGINS", "__all__")
    if not sys.warnoptions:  # an infinity in a stage that works nowhere tells a user nothing
        warnings.simplefilter("ignore", RuntimeWarning)
        os.environ.setdefault("PYTHONWARNINGS", "ignore::RuntimeWarning")  # of processes it starts
    heed_sigterm()
    with bearing_anything():
        _run()


def _run() -> None:
    try:
        app()
    except Exception as error:
        if isinstance(error, OSError) and error.filename == STANDARD_OUTPUT:
            # What is still in the buffer would fail once more when Python ends.
            os.dup2(os.open(os.devnull, os.O_WRONLY), sys.stdout.fileno())
            err().print(f"error: cannot write {STANDARD_OUTPUT}: {error.strerror}", style="red")
            sys.exit(NOT_WRITTEN)
        traceback.print_exc()
        err().print("This is a defect of stagefront; please report it.", style="red")
        sys.exit(DEFECT)
