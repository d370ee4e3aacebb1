"""The page as a person uses it, in a real browser; skipped where there is none.

    CHROMIUM=/usr/bin/chromium python -m pytest -m browser

With SCREENSHOTS naming a folder, what each test ends on is kept there as a picture.
"""

from __future__ import annotations

import os
import re
import socket
import threading
import time
from collections.abc import Iterator
from pathlib import Path

import pytest
import uvicorn

from explorer.brief.loading import parse_brief
from explorer.designs import Design
from explorer.exploration import explore
from explorer.formulation import formulate
from explorer.page.app import application
from explorer.page.subject import Subject
from explorer.report_data import stage_data
from explorer.settings import Settings
from explorer.sweep import middle
from fixture_types import MakeBriefText
from reports.sheet.files import write_sheet
from reports.sheet.sheet import sheet

playwright = pytest.importorskip("playwright.sync_api")
axe = pytest.importorskip("axe_playwright_python.sync_playwright")

SIZES = [(390, 844), (1280, 800), (1920, 1080)]
pytestmark = [pytest.mark.browser, pytest.mark.slow]


@pytest.fixture(scope="module")
def address(
    brief_text: MakeBriefText, driven: tuple[str, str], tmp_path_factory: pytest.TempPathFactory
) -> Iterator[str]:
    text = brief_text(driven)
    formulation = formulate(parse_brief(text))
    subject = Subject(formulation, explore(formulation, Settings(seed=1)), text=text)
    with socket.socket() as place:
        place.bind(("127.0.0.1", 0))
        port = place.getsockname()[1]
        config = uvicorn.Config(
            application(subject, "token", port, tmp_path_factory.mktemp("out")),
            lifespan="off",
            log_level="critical",
        )
        server = uvicorn.Server(config)
        thread = threading.Thread(target=server.run, args=([place],))
        thread.start()
        while not server.started:
            time.sleep(0.01)
        yield f"http://127.0.0.1:{port}/token/"
        server.should_exit = True
        thread.join()


@pytest.fixture
def page(browser, address, request):  # type: ignore[no-untyped-def]
    """Return the page, opened; it must not complain, nor ask anything of another machine."""
    (width, height), scheme = getattr(request, "param", ((1280, 800), "light"))
    opened = browser.new_page(
        viewport={"width": width, "height": height}, color_scheme=scheme, reduced_motion="reduce"
    )
    opened.set_default_timeout(60_000)
    told: list[str] = []
    opened.on("console", lambda message: told.append(message.text))
    opened.on("pageerror", lambda error: told.append(str(error)))
    asked: list[str] = []
    opened.on("request", lambda sent: asked.append(sent.url))
    opened.goto(address)
    playwright.expect(opened.locator(".chart svg").first).to_be_visible()
    yield opened
    if folder := os.environ.get("SCREENSHOTS"):
        name = re.sub(r"\W+", "-", request.node.name)
        opened.screenshot(path=Path(folder) / f"{name}.png", full_page=True)
    opened.close()
    assert told == []
    own = address.removesuffix("token/")
    assert [url for url in asked if not url.startswith((own, "data:"))] == []


def value(page, key: str) -> str:  # type: ignore[no-untyped-def]
    return str(page.input_value(f"#v-{key}"))


def test_step_undo_and_back(page) -> None:  # type: ignore[no-untyped-def]
    start, text = value(page, "stopper"), page.inner_text("[data-slot=does]")
    page.click(".stepper[data-key=stopper] .up")
    playwright.expect(page.locator("#v-stopper")).not_to_have_value(start)
    assert page.inner_text("[data-slot=does]") != text
    assert "stopper=" in page.url
    stepped = value(page, "stopper")
    drawn = page.locator("svg [data-part=stopper_ohm]:visible").first
    assert str(drawn.text_content()).replace("\u00a0", " ") == stepped
    page.focus("#v-stopper")
    page.keyboard.press("ArrowDown")
    playwright.expect(page.locator("#v-stopper")).to_have_value(start)
    assert page.evaluate("document.activeElement.id") == "v-stopper"  # focus stays
    page.click("#undo")
    playwright.expect(page.locator("#v-stopper")).to_have_value(stepped)
    page.locator("h1").click()
    page.keyboard.press("Control+z")
    playwright.expect(page.locator("#v-stopper")).to_have_value(start)
    page.go_forward()
    playwright.expect(page.locator("#v-stopper")).to_have_value(stepped)
    page.reload()
    playwright.expect(page.locator("#v-stopper")).to_have_value(stepped)


def test_a_chart_that_followed_a_step_is_the_one_drawn_anew(page) -> None:  # type: ignore[no-untyped-def]
    names = ("load_lines", "responses", "input-corner", "noise", "rejection", "gain_at_radio")

    def followed() -> dict[str, str]:
        playwright.expect(page.locator("[aria-busy]")).to_have_count(0)
        page.wait_for_timeout(500)
        return {
            name: re.sub(r"clip\d+", "", page.inner_html(f"[data-chart={name}]")) for name in names
        }

    page.click("#unfold")
    standing = page.query_selector("[data-chart=responses] svg")
    before = followed()
    page.click(".stepper[data-key=plate_load] button:enabled >> nth=0")
    page.wait_for_url("**/?*")
    after = followed()
    assert [name for name in names if after[name] == before[name]] == []
    assert standing.evaluate("one => one.isConnected")
    page.reload()
    page.click("#unfold")
    playwright.expect(page.locator("[data-chart=gain_at_radio] svg")).to_be_visible()
    assert followed() == after


def test_a_value_of_the_circuit_is_stepped_by_mouse_and_keys(page) -> None:  # type: ignore[no-untyped-def]
    start = value(page, "plate_load")
    page.locator("svg [data-part=plate_load_ohm]:visible").first.click()
    way = ".at-value .up" if page.is_enabled(".at-value .up") else ".at-value .down"
    page.click(way)
    playwright.expect(page.locator("#v-plate_load")).not_to_have_value(start)
    moved = value(page, "plate_load")
    page.locator("svg [data-part=plate_load_ohm]:visible").first.focus()
    page.keyboard.press("ArrowDown" if way.endswith("up") else "ArrowUp")
    playwright.expect(page.locator("#v-plate_load")).to_have_value(start)
    assert moved != start
    assert page.evaluate("document.activeElement.dataset.part") == "plate_load_ohm"


def test_a_wrong_value_loses_nothing(page) -> None:  # type: ignore[no-untyped-def]
    page.fill("#v-stopper", "22 uF")
    page.press("#v-stopper", "Enter")
    told = page.locator("#e-stopper")
    playwright.expect(told).to_contain_text("expected a resistance")
    assert value(page, "stopper") == "22 uF"
    page.fill("#v-stopper", "47k")
    page.press("#v-stopper", "Enter")
    playwright.expect(page.locator("#v-stopper")).to_have_value("47 kΩ")
    playwright.expect(told).not_to_contain_text("expected a resistance")


def test_a_broken_limit_is_seen_and_said(page) -> None:  # type: ignore[no-untyped-def]
    page.fill("#v-plate_load", "100k")
    page.press("#v-plate_load", "Enter")
    playwright.expect(page.locator("#v-plate_load")).to_have_value("100 kΩ")
    page.fill("#v-cathode_resistor", "220")
    page.press("#v-cathode_resistor", "Enter")
    playwright.expect(page.locator(".breaks li").first).to_contain_text("plate current")
    assert "over" in page.inner_text(".said")
    assert "✗" in page.locator(".gauge.broken", has_text="plate current").inner_text()


def test_pins_sweep_and_steering(page) -> None:  # type: ignore[no-untyped-def]
    start = value(page, "stopper")
    page.click("#compare summary")
    page.click("#pin")
    page.click(".stepper[data-key=stopper] .up")
    playwright.expect(page.locator("#v-stopper")).not_to_have_value(start)
    page.click("#pin")
    playwright.expect(page.locator(".pinned table")).to_be_visible()
    page.select_option("#moved", "stopper")
    page.click("#sweep")
    playwright.expect(page.locator(".swept .chart svg").first).to_be_visible()
    page.select_option("[data-score=gain_dB]", "better")
    playwright.expect(page.locator(".steered")).not_to_be_empty()
    if page.locator(".offers .card").count():
        moved = page.url
        page.locator(".offers .card").first.click()
        page.wait_for_url(lambda url: url != moved)


def test_drive_is_worked_out_for_the_stage_shown_and_heard(page) -> None:  # type: ignore[no-untyped-def]
    section = page.locator("#sound")
    told = section.locator(".told")
    page.focus("[data-study=drive]")
    page.keyboard.press("Enter")
    playwright.expect(section.locator(".halt")).to_be_visible()
    start = value(page, "stopper")
    page.click(".stepper[data-key=stopper] .up")  # the page answers meanwhile
    playwright.expect(page.locator("#v-stopper")).not_to_have_value(start)
    playwright.expect(told).to_contain_text("the stage has changed")
    playwright.expect(section.locator(".halt")).to_be_hidden()
    page.focus("[data-study=sound]")
    page.keyboard.press("Enter")
    playwright.expect(section.locator("audio").first).to_be_visible(timeout=300_000)
    assert told.text_content() == "Worked out for this stage."
    assert told.get_attribute("role") == "status"
    assert page.evaluate("document.activeElement.dataset.study") == "sound"  # focus stays
    playwright.expect(section.locator(".chart svg").first).to_be_visible()
    ended = page.evaluate(
        "new Promise((told) => { const sound = document.querySelector('#sound audio');"
        "sound.onended = () => told(sound.duration); sound.onerror = () => told(-1);"
        "sound.muted = true; sound.play().catch(() => told(-2)); })"
    )
    assert ended == pytest.approx(0.5, abs=0.05)  # the test tone lasts half a second
    page.click("#undo")
    playwright.expect(told).to_contain_text("for another stage")
    playwright.expect(page.locator("[aria-busy]")).to_have_count(0)
    result = axe.Axe().run(page)
    assert result.violations_count == 0, result.generate_report()
    page.emulate_media(media="print")
    assert not section.is_visible()  # paper has no other stage than the one shown
    page.emulate_media(media="screen")
    page.go_forward()
    playwright.expect(told).to_have_text("Worked out for this stage.")
    page.emulate_media(media="print")
    assert section.locator(".worked-out").is_visible()
    assert not section.locator("[data-study=drive]").is_visible()


def test_a_rectangle_in_the_front_sifts_table_and_cards(page) -> None:  # type: ignore[no-untyped-def]
    rows = page.locator("table.linked tbody tr")
    shown = page.locator("table.linked tbody tr:not([hidden])")
    chart = page.locator("[data-chart=front] svg")
    chart.scroll_into_view_if_needed()
    box = chart.locator("path.background").nth(1).bounding_box()  # the first is of the whole
    page.mouse.move(box["x"] + 5, box["y"] + 5)
    page.mouse.down()
    page.mouse.move(box["x"] + box["width"] / 3, box["y"] + box["height"] - 5, steps=5)
    page.mouse.up()
    playwright.expect(page.locator(".copied")).to_have_text(re.compile(r"\d+ of \d+ rows"))
    left = shown.count()
    assert left < rows.count()
    page.keyboard.press("Escape")
    playwright.expect(shown).to_have_count(rows.count())
    playwright.expect(page.locator(".copied")).to_have_text("")
    assert page.locator(".card.outside").count() == 0


def test_a_stage_is_written_where_it_says(page) -> None:  # type: ignore[no-untyped-def]
    page.focus("[data-what=record]")
    page.keyboard.press("Enter")
    told = page.locator(".written p")
    playwright.expect(told).to_contain_text("record.md")
    place = Path(str(told.text_content()).removeprefix("Record: "))
    assert place.read_text("utf-8").startswith("# Record")


def test_the_brief_is_edited_explored_and_stopped(page) -> None:  # type: ignore[no-untyped-def]
    page.locator(".brief > summary").click()
    field = page.locator("[data-path='supply.voltage']")
    field.fill("260 ohm")
    field.press("Tab")
    playwright.expect(page.locator("[id='m-supply.voltage']")).to_contain_text("expected a voltage")
    assert page.is_disabled("#explore")
    field.fill("260 V")
    field.press("Tab")
    playwright.expect(page.locator("#explore")).to_be_enabled()
    page.locator(".as-toml summary").click()
    assert 'voltage = "260 V"' in page.input_value("#toml")
    page.click("#explore")
    page.wait_for_url("**/run/**", timeout=120_000)
    playwright.expect(page.locator("svg.circuit:visible").first).to_contain_text("260")
    page.locator(".brief > summary").click()
    page.click("#explore")
    page.click("#stop")
    page.wait_for_function(
        "url => location.href !== url || "
        "document.querySelector('.wrong-brief').textContent.startsWith('Nothing to show')",
        arg=page.url, timeout=120_000,
    )  # fmt: skip


@pytest.mark.parametrize(
    "page",
    [(size, scheme) for size in SIZES for scheme in ("light", "dark")],
    indirect=True,
    ids=lambda view: f"{view[0][0]}-{view[1]}",
)
def test_nothing_stands_in_the_way(page) -> None:  # type: ignore[no-untyped-def]
    """No violation of the rules of axe-core, and nothing wider than the page."""
    page.click("#unfold")
    page.locator("#compare summary").click()
    page.locator(".brief > summary").click()
    page.fill("#v-stopper", "22 uF")
    page.press("#v-stopper", "Enter")
    playwright.expect(page.locator("#e-stopper")).to_contain_text("expected")
    result = axe.Axe().run(page)
    assert result.violations_count == 0, result.generate_report()
    wide = page.evaluate("document.documentElement.scrollWidth - innerWidth")
    assert wide <= 0


@pytest.mark.parametrize("scheme", ["light", "dark"])
def test_nothing_stands_in_the_way_of_a_sheet(  # type: ignore[no-untyped-def]
    browser, brief_text: MakeBriefText, tmp_path: Path, scheme: str
) -> None:
    """The sheet for a lecture, by the same rules, at each size; and nothing asked of a network."""
    formulation = formulate(parse_brief(brief_text()))
    design = Design.of(formulation.brief, middle(formulation.problem))
    place = write_sheet(sheet(stage_data(formulation, design.batch()), 1), tmp_path)["html"]
    told: list[str] = []
    for width, height in SIZES:
        told.clear()
        opened = browser.new_page(
            viewport={"width": width, "height": height},
            color_scheme=scheme,
            reduced_motion="reduce",
        )
        opened.on("console", lambda message: told.append(message.text))
        opened.on("pageerror", lambda error: told.append(str(error)))
        opened.on("request", lambda sent: told.append(sent.url))
        opened.goto(place.as_uri())
        result = axe.Axe().run(opened)
        assert result.violations_count == 0, result.generate_report()
        assert opened.evaluate("document.documentElement.scrollWidth - innerWidth") <= 0
        assert told == [place.as_uri()]
        if folder := os.environ.get("SCREENSHOTS"):
            opened.screenshot(path=Path(folder) / f"sheet-{width}-{scheme}.png", full_page=True)
        opened.close()


def test_the_appendix_unfolds_where_a_link_leads_and_on_paper(page) -> None:  # type: ignore[no-untyped-def]
    folds = page.locator(".fold")
    opened = page.locator(".fold[open]")
    assert folds.count() > 3
    assert opened.count() == 0
    link = page.locator("main a[href='#front-more']")
    link.click()
    playwright.expect(opened).to_have_count(1)
    playwright.expect(page.locator("#front-more .chart svg").first).to_be_visible()
    page.evaluate("dispatchEvent(new Event('beforeprint'))")
    playwright.expect(opened).to_have_count(folds.count())
    charts = page.locator(".fold .chart")
    playwright.expect(page.locator(".fold .chart > svg")).to_have_count(charts.count())
    page.evaluate("dispatchEvent(new Event('afterprint'))")
    playwright.expect(opened).to_have_count(1)


def test_paper_holds_the_document_alone(page) -> None:  # type: ignore[no-untyped-def]
    page.emulate_media(media="print")
    for name in (".stepping", ".brief", "#compare", ".at-value"):
        assert not page.locator(name).is_visible()
    assert page.locator("svg.circuit").first.is_visible()
