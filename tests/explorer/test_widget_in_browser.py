"""The widget's module in a bare page, with a stand-in for the model that a notebook gives it.

What the module needs of a model: https://anywidget.dev/en/afm/ (`get`, `set`, `save_changes`, `on`,
`off`, `send`).
"""

from __future__ import annotations

import os
import re
from pathlib import Path
from typing import Any

import pytest

import explorer
from explorer.displays import ShownExploration
from explorer.widget import SteppedStage
from fixture_types import MakeBriefText

playwright = pytest.importorskip("playwright.sync_api")
axe = pytest.importorskip("axe_playwright_python.sync_playwright")
pytestmark = [pytest.mark.browser, pytest.mark.slow]

BARE = """\
<!DOCTYPE html><html lang="en"><title>A notebook</title>
<style>label, input, button { color: #777777; font: 30px serif; }</style>
<main><h1>A notebook</h1><h2>Cells</h2></main>"""

MOUNT = """\
async ({ name, script, state, views }) => {
  const heard = new Map();
  const model = {
    get: (key) => state[key],
    set: (key, value) => {
      if (JSON.stringify(state[key]) === JSON.stringify(value)) return;
      state[key] = value;
      model.tell(`change:${key}`);
    },
    save_changes: () => saved(name, state.parts),
    on: (event, hear) => heard.set(event, [...(heard.get(event) || []), hear]),
    off: (event, hear) => heard.set(event, heard.get(event).filter((one) => one !== hear)),
    tell: (event, ...told) => heard.get(event).forEach((hear) => hear(...told)),
    send: async (message) => model.tell("msg:custom", await asked(name, message)),
  };
  const address = URL.createObjectURL(new Blob([script], { type: "text/javascript" }));
  const { render } = (await import(address)).default;
  for (const view of views) {
    const el = document.createElement("section");
    el.id = view;
    el.setAttribute("aria-label", view);
    document.querySelector("main").append(el);
    await render({ model, el });
  }
}"""


@pytest.fixture(scope="module")
def result(brief_text: MakeBriefText) -> ShownExploration:
    return explorer.explore(brief_text(), seed=1)


@pytest.fixture
def notebook(browser, request):  # type: ignore[no-untyped-def]
    """Return a page that shows widgets; it must not complain, nor ask anything of a network."""
    page = browser.new_page(viewport={"width": 1000, "height": 900}, reduced_motion="reduce")
    widgets: dict[str, SteppedStage] = {}
    told: list[str] = []
    page.on("console", lambda message: told.append(message.text))
    page.on("pageerror", lambda error: told.append(str(error)))
    page.on("request", lambda sent: told.append(sent.url))

    def asked(name: str, message: dict[str, Any]) -> object:
        sent: list[object] = []
        with pytest.MonkeyPatch.context() as patched:
            patched.setattr(widgets[name], "send", sent.append)
            widgets[name]._handle_custom_msg(message, [])
        return sent[0] if sent else {"id": "no answer"}

    page.expose_function("asked", asked)
    page.expose_function("saved", lambda name, parts: widgets[name].set_state({"parts": parts}))
    page.set_content(BARE)

    def mount(widget: SteppedStage, *views: str) -> None:
        widgets[views[0]] = widget
        state = {"_html": widget._html, "parts": widget.parts}
        given = {"name": views[0], "script": widget._esm, "state": state, "views": views}
        page.evaluate(MOUNT, given)

    def show(widget: SteppedStage, *views: str) -> None:
        mount(widget, *views)
        for view in views:
            playwright.expect(page.locator(f"#{view} .chart svg").first).to_be_visible()
            playwright.expect(page.locator(f"#{view} [aria-busy]")).to_have_count(0)

    page.mount, page.show = mount, show
    yield page
    if folder := os.environ.get("SCREENSHOTS"):
        name = re.sub(r"\W+", "-", request.node.name)
        page.screenshot(path=Path(folder) / f"{name}.png", full_page=True)
    page.close()
    assert [text for text in told if not text.startswith("blob:")] == []


def value(page: Any, view: str, key: str = "stopper") -> str:
    return str(page.input_value(f"#{view} #v-{key}"))


@pytest.fixture
def widget(notebook, result: ShownExploration) -> SteppedStage:  # type: ignore[no-untyped-def]
    """Return a widget that is shown as ``one``."""
    made = explorer.step(result)
    notebook.show(made, "one")
    return made


def test_a_step_moves_gauges_circuit_and_charts(  # type: ignore[no-untyped-def]
    notebook, widget: SteppedStage, result: ShownExploration
) -> None:
    before = dict(widget.parts)
    does = notebook.locator("#one [data-slot=does]")
    chart = notebook.locator("#one [data-chart=input-corner]")
    was, drawn = does.inner_text(), chart.inner_html()
    notebook.click("#one .stepper[data-key=stopper] .up")
    playwright.expect(does).not_to_have_text(was)
    playwright.expect(notebook.locator("#one [aria-busy]")).to_have_count(0)
    notebook.wait_for_timeout(300)
    assert chart.inner_html() != drawn
    stepped = value(notebook, "one")
    circuit = notebook.locator("#one svg [data-part=stopper_ohm]:visible").first
    assert str(circuit.text_content()).replace("\u00a0", " ") == stepped
    # What the kernel has is what the browser shows.
    assert widget.parts != before
    shown = explorer.step(explorer.assess(result, **widget.parts))
    assert stepped in shown._html
    notebook.click("#one .undo")
    playwright.expect(does).to_contain_text("Yield", ignore_case=True)
    playwright.expect(notebook.locator("#one #v-stopper")).not_to_have_value(stepped)
    assert widget.parts == before
    assert notebook.is_disabled("#one .undo")


def test_a_value_is_typed_and_a_wrong_one_is_told(  # type: ignore[no-untyped-def]
    notebook, widget: SteppedStage
) -> None:
    before = dict(widget.parts)
    field = notebook.locator("#one #v-stopper")
    field.fill("22 uF")
    field.press("Enter")
    told = notebook.locator("#one #e-stopper")
    playwright.expect(told).to_contain_text("expected a resistance")
    assert widget.parts == before
    field.fill("47k")
    field.press("Enter")
    playwright.expect(field).to_have_value("47 kΩ")
    playwright.expect(told).not_to_contain_text("expected a resistance")
    assert widget.parts == {**before, "stopper": "47k"}
    # A value in the circuit is stepped where it stands.
    mark = notebook.locator("#one svg [data-part=stopper_ohm]:visible").first
    mark.click()
    near = notebook.locator("#one .at-value").bounding_box()
    place = mark.bounding_box()
    assert abs(near["x"] + near["width"] / 2 - place["x"] - place["width"] / 2) < 2
    assert abs(near["y"] + near["height"] - place["y"]) < 4
    notebook.click("#one .at-value .up")
    playwright.expect(field).not_to_have_value("47 kΩ")


def test_two_widgets_do_not_mix_and_two_views_of_one_agree(  # type: ignore[no-untyped-def]
    notebook, result: ShownExploration
) -> None:
    one, other = explorer.step(result), explorer.step(result)
    notebook.show(one, "one", "again")
    notebook.show(other, "other")
    before = value(notebook, "other")
    untouched = dict(other.parts)
    notebook.click("#one .stepper[data-key=stopper] .up")
    playwright.expect(notebook.locator("#one #v-stopper")).not_to_have_value(before)
    stepped = value(notebook, "one")
    playwright.expect(notebook.locator("#again #v-stopper")).to_have_value(stepped)
    playwright.expect(notebook.locator("[aria-busy]")).to_have_count(0)
    assert value(notebook, "other") == before
    assert other.parts == untouched
    # A label belongs to its own widget's field.
    notebook.locator("#other label[for=v-stopper]").click()
    inner = "document.getElementById('other').firstElementChild.shadowRoot.activeElement.id"
    assert notebook.evaluate(inner) == "v-stopper"


def test_a_kernel_that_does_not_answer_is_told_of(  # type: ignore[no-untyped-def]
    notebook, result: ShownExploration
) -> None:
    widget = explorer.step(result)
    widget.on_msg(widget._answer, remove=True)
    notebook.clock.install()
    notebook.mount(widget, "one")
    playwright.expect(notebook.locator("#one svg.circuit:visible")).to_have_count(1)
    notebook.clock.fast_forward(60_000)
    playwright.expect(notebook.locator("#one .said")).to_contain_text("kernel")


@pytest.mark.parametrize(("written_in", "scheme"), [("#111111", "light"), ("#eeeeee", "dark")])
def test_it_is_dark_where_the_notebook_is(  # type: ignore[no-untyped-def]
    notebook, result: ShownExploration, written_in: str, scheme: str
) -> None:
    paper = "#ffffff" if scheme == "light" else "#111111"
    notebook.add_style_tag(content=f"body {{ color: {written_in}; background: {paper}; }}")
    notebook.show(explorer.step(result), "one")
    inner = notebook.locator("#one .stagefront")
    assert inner.evaluate("one => getComputedStyle(one).colorScheme") == scheme
    found = axe.Axe().run(notebook)
    assert found.violations_count == 0, found.generate_report()
