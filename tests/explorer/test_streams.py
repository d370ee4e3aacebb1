"""What is printed where characters are missing, a reader has left, or a disk is full."""

import json
import os
import subprocess
import sys
from pathlib import Path

import pytest

from explorer.cli.streams import bearing_anything
from objectives.json_text import json_text

SHOWN = "4.7\u00a0kΩ, 22\u00a0µF, −20\u00a0dB ± 5\u00a0%, Ж"


def printed(encoding: str, monkeypatch: pytest.MonkeyPatch, tmp_path: Path) -> str:
    """Return what reaches a file in this encoding."""
    path = tmp_path / "printed.txt"
    with path.open("w", encoding=encoding) as stream:
        monkeypatch.setattr(sys, "stdout", stream)
        with bearing_anything():
            print(SHOWN)
        assert sys.stdout is stream
        monkeypatch.undo()
    return path.read_text(encoding)


@pytest.mark.parametrize(
    ("encoding", "text"),
    [
        ("utf-8", SHOWN),
        ("ascii", "4.7 kohm, 22 uF, -20 dB +/- 5 %, \\u0416"),
        ("cp1252", "4.7\u00a0kohm, 22\u00a0µF, -20\u00a0dB ± 5\u00a0%, \\u0416"),
    ],
)
def test_a_character_that_an_encoding_lacks_is_written_plainly(
    encoding: str, text: str, monkeypatch: pytest.MonkeyPatch, tmp_path: Path
) -> None:
    assert printed(encoding, monkeypatch, tmp_path) == f"{text}\n"


@pytest.mark.skipif(sys.platform == "win32", reason="a pipe breaks otherwise there: untested")
def test_a_reader_that_has_left_is_no_error(monkeypatch: pytest.MonkeyPatch) -> None:
    reading, writing = os.pipe()
    os.close(reading)
    with os.fdopen(writing, "w") as stream:
        monkeypatch.setattr(sys, "stdout", stream)
        with bearing_anything():
            for _ in range(3):
                print("x" * 100_000, flush=True)
        monkeypatch.undo()


@pytest.mark.skipif(not Path("/dev/full").exists(), reason="no device that is always full")
def test_a_full_disk_under_standard_output_is_named(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(sys, "stdout", Path("/dev/full").open("w"))  # noqa: SIM115
    with pytest.raises(OSError, match="standard output"), bearing_anything():
        print("x", flush=True)


def test_json_writes_what_an_encoding_lacks_by_its_number() -> None:
    text = json_text({"load": SHOWN}, ascii=True)
    assert text.isascii()
    assert json.loads(text) == {"load": SHOWN}


@pytest.mark.slow
@pytest.mark.skipif(sys.platform == "win32", reason="no such shell, no /dev/full")
@pytest.mark.parametrize(
    ("words", "code"),
    [
        ("check treble-cut", 0),
        ("devices ECC83 --form json", 0),
        ("schema --reference | head -n 1", 0),
        ("schema --reference > /dev/full", 4),
    ],
)
def test_commands_print_where_characters_readers_and_room_are_missing(
    words: str, code: int
) -> None:
    command = f"set -o pipefail; {sys.executable} -m explorer {words}"
    ascii_alone = os.environ | {"PYTHONIOENCODING": "ascii"}
    done = subprocess.run(["bash", "-c", command], env=ascii_alone, capture_output=True)
    assert (done.returncode, done.stdout.isascii()) == (code, True)
    assert b"Traceback" not in done.stderr
