"""The written report: complete, self-contained, atomic, and true to its contents."""

from __future__ import annotations

import json
import re
import shutil
import subprocess
from collections.abc import Callable
from dataclasses import replace
from html.parser import HTMLParser
from importlib.metadata import version
from pathlib import Path
from typing import Any

import altair as alt
import numpy as np
import pandas as pd
import pytest
from joblib import Parallel, delayed, parallel_config

import reports.document.files as document
from reports.document.files import write_report
from reports.document.results import results
from reports.layout import Document, Figure, Note, Prose, Section, Table
from reports.model import ReportData
from reports.sections.build import document as whole
from reports.sections.cautions import CAUTIONS
from reports.sections.infeasible import obstacle_sentences
from reports.sections.job import job_sentences
from reports.sections.limits import limit_frame
from reports.sections.method import method_sentences

pytestmark = pytest.mark.slow

CHROMIUM = shutil.which("chromium") or shutil.which("chromium-browser")


class Page(HTMLParser):
    """What a test asks of a page: elements with attributes, ids, texts of tables."""

    def __init__(self, text: str) -> None:
        super().__init__()
        self.elements: list[tuple[str, dict[str, str | None]]] = []
        self.rows: list[list[str]] = []
        self.words: list[str] = []
        self._cell: list[str] | None = None
        self._quiet = 0
        self.feed(text)

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        self.elements.append((tag, dict(attrs)))
        if tag in ("script", "style"):
            self._quiet += 1
        if tag == "tr":
            self.rows.append([])
        if tag in ("td", "th"):
            self._cell = []

    def handle_endtag(self, tag: str) -> None:
        if tag in ("script", "style"):
            self._quiet -= 1
        if tag in ("td", "th") and self._cell is not None:
            self.rows[-1].append("".join(self._cell))
            self._cell = None

    def handle_data(self, data: str) -> None:
        if self._quiet:
            return
        self.words.append(data)
        if self._cell is not None:
            self._cell.append(data)

    def all(self, tag: str) -> list[dict[str, str | None]]:
        return [attributes for name, attributes in self.elements if name == tag]


@pytest.fixture(scope="module")
def written(contents: ReportData, tmp_path_factory: pytest.TempPathFactory) -> dict[str, Path]:
    return write_report(contents, tmp_path_factory.mktemp("report"))


@pytest.fixture(scope="module")
def page(written: dict[str, Path]) -> Page:
    return Page(written["html"].read_text("utf-8"))


def test_every_file_is_written_and_named(written: dict[str, Path]) -> None:
    names = {"html", "markdown", "record", "front_csv", "readable_csv", "json", "run"}
    figures = {
        "trade-off",
        "front",
        "front-parts",
        "load_lines",
        "responses",
        "input-corner",
        "noise",
        "rejection",
        "gain_at_radio",
        "search",
        "schematic",
    }
    assert set(written) == names | {f"figure_{name}" for name in figures}
    assert all(path.stat().st_size > 200 for path in written.values())
    folder = written["html"].parent
    assert {p.name for p in folder.iterdir()} == {
        "report.html", "report.md", "record.md", "front.csv", "readable.csv", "results.json",
        "run.json", "figures",
    }  # fmt: skip


# -- HTML ------------------------------------------------------------------------------------------


def test_the_page_loads_nothing_from_anywhere(page: Page) -> None:
    for tag, attributes in page.elements:
        assert tag not in ("link", "iframe", "object", "embed", "base")
        for name in ("src", "href", "xlink:href", "data", "action", "poster"):
            target = attributes.get(name)
            assert target is None or target.startswith("#"), (tag, name, target)
    policy = next(m for m in page.all("meta") if m.get("http-equiv") == "Content-Security-Policy")
    assert (policy["content"] or "").startswith("default-src 'none'")


def test_the_page_is_set_up_for_readers_and_screens(page: Page, contents: ReportData) -> None:
    assert page.all("html")[0]["lang"] == "en"
    assert any(m.get("name") == "viewport" for m in page.all("meta"))
    assert contents.title in "".join(page.words)
    headings = [tag for tag, _ in page.elements if re.fullmatch("h[1-6]", tag)]
    assert headings[0] == "h1"
    assert headings.count("h1") == 1
    for figure in page.all("div"):
        if "chart" in (figure.get("class") or "").split():
            assert len(figure["aria-label"] or "") > 20
    ids = [a["id"] for _, a in page.elements if a.get("id")]
    assert len(ids) == len(set(ids))


def test_every_section_is_there_in_order_and_reachable(page: Page, contents: ReportData) -> None:
    made = whole(contents)
    keys = [section.key for section in [*made.sections, *made.appendix]]
    assert [s["id"] for s in page.all("section") if s.get("id")] == keys
    links = {a["href"] for a in page.all("a")}
    assert {"#appendix", *(f"#{section.key}" for section in made.sections)} <= links
    assert len(page.all("summary")) == len(made.appendix)
    assert {
        "job", "front", "parts", "point", "responses", "textbook", "noise", "radio",
        "limits", "valve", "method", "assumptions", "sources",
    } <= set(keys)  # fmt: skip


def test_the_cautions_come_first_and_whole(page: Page) -> None:
    text = " ".join(page.words)
    for caution in CAUTIONS:
        assert caution in text
    assert text.index(CAUTIONS[0]) < text.index("The job", text.index(CAUTIONS[0]))
    assert "kill" in CAUTIONS[0]


def test_every_chart_has_a_place_and_a_valid_specification(written: dict[str, Path]) -> None:
    text = written["html"].read_text("utf-8")
    specs = re.findall(
        r'data-chart="([^"]+)"[^>]*></div>\s*<script type="application/json" class="spec"[^>]*>'
        r"(.*?)</script>",
        text,
        re.S,
    )
    assert [name for name, _ in specs] == [
        "trade-off", "front", "responses", "input-corner", "load_lines", "noise", "rejection",
        "front-parts", "gain_at_radio", "search",
    ]  # fmt: skip
    for _, body in specs:
        assert "<" not in body
        spec = json.loads(body)
        alt.Chart.from_dict(spec)
    assert text.count('data-linked="true"') == 2
    assert text.count("window.vegaEmbed") >= 1


def test_rows_of_the_front_carry_the_candidates_of_the_charts(
    page: Page, contents: ReportData
) -> None:
    linked = [row["data-candidate"] for row in page.all("tr") if "data-candidate" in row]
    assert linked == [str(c) for c in contents.shown["candidate"]]
    first = next(row for row in page.all("tr") if "data-candidate" in row)
    assert first["class"] == "pick"
    assert first["tabindex"] == "0"


def test_tables_show_engineering_numbers(page: Page, contents: ReportData) -> None:
    rows = {row[0]: row for row in page.rows if row}
    pick = rows[str(contents.shown["candidate"].iloc[0])]
    texts = [cell.replace("\u00a0", " ") for cell in pick]
    assert {"33 kΩ", "180 kΩ", "1 kΩ", "22 µF"} <= set(texts)
    assert not any(re.search(r"\d{6,}|\de[-+]?\d", cell) for row in page.rows for cell in row)


def add_section(patch: pytest.MonkeyPatch, more: Section) -> None:
    """Let reports end with one more section."""

    def longer(report: ReportData) -> Document:
        made = whole(report)
        return replace(made, sections=[*made.sections, more])

    patch.setattr(document, "document", longer)


def test_texts_are_escaped(
    contents: ReportData, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    evil = "<script>alert('x')</script> & <b>"
    table = Table(pd.DataFrame({evil: [evil]}), evil)
    add_section(monkeypatch, Section("more", evil, [Prose([evil]), table]))
    files = write_report(replace(contents, title=evil, scenario=evil), tmp_path)
    text = files["html"].read_text("utf-8")
    body = text[: text.index("<noscript>")]
    body = re.sub(r'<script type="application/json".*?</script>', "", body, flags=re.S)
    assert "<script" not in body
    assert "<b>" not in body
    assert body.count("&lt;script&gt;") >= 5
    assert "\\<script>" in files["markdown"].read_text("utf-8")


def test_every_kind_of_block_is_written(
    contents: ReportData, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    frame = pd.DataFrame({"a": [1.0, 2.0], "b": [3.0, 4.0]})
    chart = alt.Chart(frame).mark_line().encode(x="a:Q", y="b:Q")
    more = Section(
        "tolerance",
        "Tolerance",
        [Note("Nine of ten.", "finding"), Figure("tolerance", chart, "Yield."), Table(frame)],
    )
    add_section(monkeypatch, more)
    files = write_report(contents, tmp_path)
    page = Page(files["html"].read_text("utf-8"))
    assert "tolerance" in [s.get("id") for s in page.all("section")]
    assert files["figure_tolerance"].read_text("utf-8").startswith("<svg")
    assert "Nine of ten." in files["markdown"].read_text("utf-8")


# -- Markdown --------------------------------------------------------------------------------------


def test_markdown_has_tables_figures_and_every_section(
    written: dict[str, Path], contents: ReportData
) -> None:
    text = written["markdown"].read_text("utf-8")
    lines = text.splitlines()
    assert lines[0] == f"# {contents.title}"
    for section in whole(contents).sections:
        assert f"## {section.title}" in text.replace("\\", "")
    tables = [at for at, line in enumerate(lines) if re.fullmatch(r"\|( --- \|)+", line)]
    assert len(tables) >= 8
    for at in tables:
        columns = lines[at].count("---")
        body = at - 1
        while body < len(lines) and lines[body].startswith("|"):
            assert len(re.findall(r"(?<!\\)\|", lines[body])) == columns + 1
            body += 1
    images = re.findall(r"!\[[^\]]{20,}\]\((figures/[a-z_]+\.svg)\)", text)
    assert len(images) == 8
    for image in images:
        assert (written["markdown"].parent / image).is_file()
    assert "> **High voltage kills" in text
    assert "V<sub>pk</sub>" in text


# -- data ------------------------------------------------------------------------------------------


def test_csv_files_read_back_as_the_frames(written: dict[str, Path], contents: ReportData) -> None:
    for key, frame in (("front_csv", contents.front), ("readable_csv", contents.shown)):
        back = pd.read_csv(written[key], keep_default_na=False)
        assert np.isinf(back["bypass_F"]).any()
        pd.testing.assert_frame_equal(back, frame, check_exact=True)


def test_json_reads_back_as_the_contents(written: dict[str, Path], contents: ReportData) -> None:
    data = json.loads(
        written["json"].read_text("utf-8"),
        parse_constant=lambda name: pytest.fail(f"{name} is no JSON"),
    )
    assert data["schema"] == 2
    assert data["version"] == version("stagefront")
    back = pd.DataFrame(data["front"])
    back["bypass_F"] = back["bypass_F"].map(float)  # "Infinity" is how JSON must write it
    pd.testing.assert_frame_equal(back, contents.front, check_exact=True)
    assert data["job"] == job_sentences(contents)
    assert data["method"] == method_sentences(contents)
    assert [use["name"] for use in data["uses"]] == [use.name for use in contents.uses]
    assert data["constants"] == dict(contents.constants)
    assert pd.DataFrame(data["limits"]).equals(limit_frame(contents))
    assert data["parts"][0]["marking"] == contents.parts[0].marking
    stage = data["pick"]["stage"]
    assert stage["stopper_ohm"] == float(contents.shown["stopper_ohm"].iloc[0])
    assert data["pick"]["operating_point"]["plate_current_A"] == float(
        contents.pick.point.plate_current_A[0]
    )


def test_missing_and_infinite_numbers_are_plain_json(contents: ReportData) -> None:
    odd = contents.front.iloc[:2].assign(noise_dBu=[np.nan, -np.inf])
    rows = results(replace(contents, front=odd))["front"]
    assert rows[0]["noise_dBu"] is None
    assert rows[1]["noise_dBu"] == "-Infinity"
    json.dumps(rows, allow_nan=False)


# -- nothing feasible ------------------------------------------------------------------------------


def test_when_nothing_is_feasible_it_says_so_first(infeasible: ReportData, tmp_path: Path) -> None:
    files = write_report(infeasible, tmp_path)
    page = Page(files["html"].read_text("utf-8"))
    text = " ".join(page.words)
    first = obstacle_sentences(infeasible)[0]
    assert first in text
    assert text.index(first) < text.index("The nearest: do not build it as it stands")
    assert "Build this" not in text
    assert json.loads(files["json"].read_text("utf-8"))["feasible"] is False
    assert first.split(";")[0] in files["markdown"].read_text("utf-8")


def test_an_empty_front_is_still_reported(infeasible: ReportData, tmp_path: Path) -> None:
    files = write_report(replace(infeasible, front=infeasible.front.iloc[:0]), tmp_path)
    assert len(pd.read_csv(files["front_csv"])) == 0
    assert "nearest candidates" in files["markdown"].read_text("utf-8")


# -- writing ---------------------------------------------------------------------------------------


@pytest.mark.parametrize("stage", ["svg_text", "results", "html_page", "document"])
def test_an_error_leaves_an_earlier_report_as_it_was(
    contents: ReportData,
    tmp_path: Path,
    monkeypatch: pytest.MonkeyPatch,
    stage: str,
) -> None:
    (tmp_path / "report.html").write_text("before", "utf-8")

    def fail(*args: Any, **options: Any) -> str:
        raise RuntimeError("no ink")

    monkeypatch.setattr(document, stage, fail)
    with pytest.raises(RuntimeError, match="no ink"):
        write_report(contents, tmp_path)
    assert [p.name for p in tmp_path.iterdir()] == ["report.html"]
    assert (tmp_path / "report.html").read_text("utf-8") == "before"


@pytest.mark.parametrize("unfinished", [True, False])
def test_a_report_written_beside_work_of_others_is_the_same_and_ends_none_of_it(
    contents: ReportData, tmp_path: Path, unfinished: bool
) -> None:
    data = replace(contents, unfinished=unfinished)
    alone = write_report(data, tmp_path / "alone")
    with parallel_config("loky", n_jobs=2):
        others = Parallel(return_as="generator")(delayed(abs)(-n) for n in range(8))
        assert next(others) == 0
        beside = write_report(data, tmp_path / "beside")
        assert list(others) == [1, 2, 3, 4, 5, 6, 7]
    assert list(alone) == list(beside)
    assert ("markdown" in alone) == (not unfinished)
    for name in set(alone) - {"run"}:
        assert alone[name].read_bytes() == beside[name].read_bytes(), name


def test_a_disk_that_fills_while_writing_leaves_no_part_of_a_report(
    contents: ReportData, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    (tmp_path / "front.csv").write_text("before", "utf-8")
    real = Path.write_text

    def full(self: Path, *args: Any, **options: Any) -> int:
        if self.name == "results.json":
            raise OSError("no space left on device")
        return real(self, *args, **options)

    monkeypatch.setattr(Path, "write_text", full)
    with pytest.raises(OSError, match="no space"):
        write_report(contents, tmp_path)
    assert [p.name for p in tmp_path.iterdir()] == ["front.csv"]
    assert real is not Path.write_text
    assert (tmp_path / "front.csv").read_text("utf-8") == "before"


def test_a_new_report_replaces_the_old_one(contents: ReportData, tmp_path: Path) -> None:
    first = write_report(contents, tmp_path / "new" / "folder")
    before = first["html"].read_text("utf-8")
    again = write_report(replace(contents, title="Another title"), tmp_path / "new" / "folder")
    assert again == first
    after = again["html"].read_text("utf-8")
    assert "Another title" in after
    assert "Another title" not in before


def test_the_same_contents_make_the_same_files(contents: ReportData, tmp_path: Path) -> None:
    first, second = (write_report(contents, tmp_path / name) for name in ("a", "b"))
    for key in first.keys() - {"run"}:  # that says when
        assert first[key].read_bytes() == second[key].read_bytes(), key


@pytest.mark.parametrize("name", ["load_lines", "../escape", "with space", ""])
def test_names_of_figures_must_serve_as_files_and_be_unique(
    contents: ReportData, tmp_path: Path, name: str, monkeypatch: pytest.MonkeyPatch
) -> None:
    chart = alt.Chart(pd.DataFrame({"a": [1]})).mark_point().encode(x="a:Q")
    add_section(monkeypatch, Section("more", "More", [Figure(name, chart)]))
    with pytest.raises(ValueError, match="must be made of letters"):
        write_report(contents, tmp_path)


def test_the_report_of_a_front_of_five_thousand_stays_small(
    remake: Callable[..., ReportData], tmp_path: Path
) -> None:
    large = remake(rows=5000)
    files = write_report(large, tmp_path)
    assert files["html"].stat().st_size < 4e6
    assert files["figure_front"].stat().st_size < 1e6


# -- in a browser ----------------------------------------------------------------------------------

SPY = """<script>(() => { const real = window.vegaEmbed; window.views = {};
window.vegaEmbed = (el, spec, options) => real(el, spec, options).then((made) => {
window.views[el.dataset.chart] = made.view; return made; }); })();</script>
"""
PROBE = """<script>setTimeout(() => document.getElementById("unfold").click(), 500);
setTimeout(async () => { const told = {}; try {
const view = window.views["front"];
const rows = [...document.querySelectorAll("table.linked tbody tr")];
const selected = () => rows.filter((r) => r.getAttribute("aria-selected") === "true")
  .map((r) => r.dataset.candidate);
told.views = Object.keys(window.views).sort();
told.svgs = document.querySelectorAll(".chart svg").length;
rows[2].click(); await view.runAsync();
told.row = rows[2].dataset.candidate;
told.selected = selected();
told.stored = view.data("chosen_store").map((e) => String(e.values[0]));
rows[4].dispatchEvent(new MouseEvent("click", { shiftKey: true, bubbles: true }));
await view.runAsync(); told.both = selected();
let spot = null;
const seek = (group, x, y) => (group.items || []).forEach((mark) => {
  if (mark.marktype === "group") mark.items.forEach((i) => seek(i, x + (i.x || 0), y + (i.y || 0)));
  else if (mark.marktype === "symbol") mark.items.forEach((i) => {
    if (!spot && i.datum && i.datum.kind === "alternative" && i.datum.axis === undefined)
      spot = [x + i.x, y + i.y, i.datum.candidate]; }); });
seek(view.scenegraph().root.items[0], 0, 0);
const canvas = document.querySelector("[data-chart=front] svg");
const box = canvas.getBoundingClientRect(), origin = view.origin(), pad = view.padding();
const x0 = box.left + origin[0] + pad.left, y0 = box.top + origin[1] + pad.top;
const fire = (type, x, y) => { const init = { clientX: x, clientY: y, bubbles: true, view: window };
  const Kind = type.startsWith("pointer") ? PointerEvent : MouseEvent;
  (document.elementFromPoint(x, y) || canvas).dispatchEvent(new Kind(type, init));
  if (type.startsWith("pointer")) window.dispatchEvent(new Kind(type, init)); };
for (const type of ["pointermove", "mousemove", "pointerdown", "mousedown", "pointerup", "mouseup",
  "click"]) fire(type, x0 + spot[0], y0 + spot[1]);
await view.runAsync(); told.clicked = String(spot[2]); told.after_click = selected();
fire("pointerdown", x0 + spot[0] - 60, y0 + spot[1] - 100);
for (const part of [0.4, 1]) fire("pointermove", x0 + spot[0] - 60 + 100 * part,
  y0 + spot[1] - 100 + 90 * part);
fire("pointerup", x0 + spot[0] + 40, y0 + spot[1] - 10);
await view.runAsync(); told.brush = view.signal("brush");
const hidden = () => rows.filter((r) => r.hidden).map((r) => r.dataset.candidate);
told.outside = hidden();
const designs = (which) => [...document.querySelectorAll(which)].map((card) => card.dataset.design);
told.cards = designs(".card"); told.marked = designs(".card.outside");
await new Promise((later) => setTimeout(later, 300));
told.counted = document.querySelector(".copied").textContent;
window.dispatchEvent(new KeyboardEvent("keydown", { key: "Escape" }));
await view.runAsync(); told.cleared = hidden();
} catch (error) { told.error = String(error.stack); }
document.title = JSON.stringify(told); }, 3000);</script>
</body>"""


@pytest.fixture(scope="module")
def visited(
    written: dict[str, Path], tmp_path_factory: pytest.TempPathFactory
) -> tuple[dict[str, Any], str]:
    """The report opened in a browser and used: what happened, and what the console said."""
    if CHROMIUM is None:
        pytest.skip("no chromium to open the report in")
    folder = tmp_path_factory.mktemp("browser")
    text = written["html"].read_text("utf-8")
    at = text.rindex("<script>")
    end = text.rindex("</body>")
    used = folder / "used.html"
    used.write_text(text[:at] + SPY + text[at:end] + PROBE + text[end + 7 :], "utf-8")
    ran = subprocess.run(
        [
            CHROMIUM, "--headless", "--no-sandbox", "--disable-gpu", "--disable-quic",
            "--no-first-run", "--disable-background-networking", "--disable-component-update",
            "--disable-sync", f"--user-data-dir={folder / 'profile'}", "--window-size=1200,6000",
            "--virtual-time-budget=20000", "--enable-logging=stderr", "--dump-dom", used.as_uri(),
        ],
        capture_output=True, text=True, timeout=120, check=False,
    )  # fmt: skip
    title = re.search("<title>(.*?)</title>", ran.stdout, re.S)
    assert title is not None, ran.stderr[-2000:]
    told = title[1].replace("&gt;", ">").replace("&lt;", "<").replace("&amp;", "&")
    return json.loads(told), ran.stderr


def test_the_browser_draws_every_chart_without_a_complaint(
    visited: tuple[dict[str, Any], str],
) -> None:
    told, console = visited
    assert "error" not in told, told
    assert len(told["views"]) == 10
    assert told["svgs"] == 10
    complaints = [line for line in console.splitlines() if "CONSOLE" in line]
    assert complaints == []


def test_a_row_chooses_its_candidate_in_the_charts(visited: tuple[dict[str, Any], str]) -> None:
    told, _ = visited
    assert told["selected"] == [told["row"]]
    assert told["stored"] == [told["row"]]
    assert len(told["both"]) == 2


def test_a_mark_in_a_chart_chooses_its_row(visited: tuple[dict[str, Any], str]) -> None:
    told, _ = visited
    assert told["after_click"] == [told["clicked"]]


def test_a_rectangle_in_a_plate_hides_the_rows_outside_it_until_escape(
    visited: tuple[dict[str, Any], str], contents: ReportData
) -> None:
    told, _ = visited
    inside = np.ones(len(contents.shown), dtype=bool)
    assert told["brush"]
    for field, (low, high) in told["brush"].items():
        low, high = min(low, high), max(low, high)
        inside &= contents.shown[field].between(low, high).to_numpy()
    assert 0 < inside.sum() < len(inside)
    outside = contents.shown["candidate"][~inside]
    assert told["outside"] == [str(c) for c in outside]
    assert told["marked"] == [c for c in told["cards"] if c in told["outside"]]
    assert told["counted"] == f"{inside.sum()} of {len(inside)} rows"
    assert told["cleared"] == []
