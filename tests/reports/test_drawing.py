"""The script that draws charts in a page is put together once, and kept where that is possible."""

from collections.abc import Iterator
from pathlib import Path
from unittest.mock import Mock

import platformdirs
import pytest
import vl_convert

from reports import drawing

SCRIPT = "const µ = 1;\r\n"


@pytest.fixture
def made(monkeypatch: pytest.MonkeyPatch, tmp_path: Path) -> Iterator[Mock]:
    """Put the cache into a folder of its own, and yield what the script is made by."""
    monkeypatch.setattr(platformdirs, "user_cache_path", lambda *_, **__: tmp_path / "cache")
    drawing.chart_script.cache_clear()
    made = Mock(return_value=SCRIPT)
    monkeypatch.setattr(vl_convert, "javascript_bundle", made)
    yield made
    drawing.chart_script.cache_clear()


def again() -> str:
    """Return the script as another process would come by it."""
    drawing.chart_script.cache_clear()
    return drawing.chart_script()


def test_the_script_is_made_once(made: Mock) -> None:
    assert [again(), again()] == [SCRIPT, SCRIPT]
    made.assert_called_once()


def test_another_version_of_the_library_makes_its_own(
    made: Mock, monkeypatch: pytest.MonkeyPatch
) -> None:
    again()
    monkeypatch.setattr(drawing, "version", lambda _: "999")
    again()
    assert made.call_count == 2


def test_a_cache_that_cannot_be_written_is_done_without(made: Mock, tmp_path: Path) -> None:
    (tmp_path / "cache").write_text("a file where the folder should be")
    assert again() == SCRIPT


def test_a_damaged_script_is_made_anew(made: Mock, tmp_path: Path) -> None:
    again()
    (kept,) = (tmp_path / "cache").iterdir()
    kept.write_bytes(b"\xff\xfe")
    assert again() == SCRIPT
