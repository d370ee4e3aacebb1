"""A PostgreSQL of its own on loopback, from the programs that a package has installed."""

from __future__ import annotations

import os
import shutil
import socket
import subprocess
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path


def programs() -> Path | None:
    """Return the folder with PostgreSQL's programs; None where it is not installed."""
    found = shutil.which("initdb")
    places = sorted(Path("/usr/lib/postgresql").glob("*/bin"))
    return Path(found).parent if found else places[-1] if places else None


@contextmanager
def database(there: Path) -> Iterator[str]:
    """Start a PostgreSQL with the programs in a folder, yield its URL, and stop it."""
    with socket.socket() as free:
        free.bind(("127.0.0.1", 0))
        port = free.getsockname()[1]
    # It refuses to run as root, and whoever it runs as must reach its folder.
    as_user = ["runuser", "-u", "postgres", "--"] if os.geteuid() == 0 else []
    folder = Path(subprocess.check_output(
        [*as_user, "mktemp", "-d"], text=True, cwd="/").strip())  # fmt: skip

    def run(*command: str) -> None:
        subprocess.run([*as_user, *command], check=True, stdout=subprocess.DEVNULL, cwd="/")

    run(str(there / "initdb"), "-D", f"{folder}/data", "-U", "tester", "-A", "trust")
    options = f"-p {port} -k {folder} -c listen_addresses=127.0.0.1"
    control = (str(there / "pg_ctl"), "-D", f"{folder}/data", "-w", "-l", f"{folder}/log")
    run(*control, "-o", options, "start")
    try:
        yield f"postgresql://tester@127.0.0.1:{port}/postgres"
    finally:
        run(*control, "-m", "immediate", "stop")
        run("rm", "-rf", str(folder))
