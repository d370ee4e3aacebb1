"""What a browser may ask of the page: the document, any stage of it, its brief, an exploration."""

from __future__ import annotations

import secrets
from collections.abc import Callable, Iterable, Mapping
from dataclasses import asdict
from importlib.resources.abc import Traversable
from itertools import islice
from pathlib import Path
from typing import Any, Final
from urllib.parse import parse_qsl

from starlette.applications import Starlette
from starlette.concurrency import run_in_threadpool
from starlette.exceptions import HTTPException
from starlette.requests import Request
from starlette.responses import HTMLResponse, JSONResponse, Response
from starlette.routing import Mount, Route

from explorer.brief.errors import BriefError, line
from explorer.page.beside import MOST_PINNED, pinned_html, steered_html, sweep_html
from explorer.page.forms import checked, edited, form_groups
from explorer.page.guard import Guard
from explorer.page.making import Making, make
from explorer.page.studies import Studies, Study
from explorer.page.subject import SENT, Subject
from explorer.page.work import Run, Runs, short_name
from objectives.checks import InputError
from objectives.scores.registry import REGISTRY
from reports.document.fragments import form_html, watch_html
from reports.document.html import live_page
from reports.document.templates import asset
from reports.drawing import chart_script

_ASSETS: Final = {
    "charts.js": "text/javascript",
    "draw.js": "text/javascript",
    "report.js": "text/javascript",
    "step.js": "text/javascript",
    "live.js": "text/javascript",
    "beside.js": "text/javascript",
    "studies.js": "text/javascript",
    "brief.js": "text/javascript",
    "live.css": "text/css",
}
_MOST_VALUES: Final = 40
"""Parts in an address."""

_MOST_WRITTEN: Final = 2
"""Reports that are written at once."""


class Page:
    """The routes of a page, and the explorations that they are about."""

    def __init__(self, first: Subject, folder: Traversable | Path, into: Path, root: str) -> None:
        self.runs, self._folder, self._root = Runs(first, folder, into), folder, root
        self._makings: dict[str, Making] = {}
        self._studies = Studies()
        self._source = first.formulation.brief.source
        self._pages: dict[str, str] = {}

    def routes(self) -> list[Route | Mount]:
        """Return all that can be asked."""
        own = [
            Route("/", self.page),
            Route("/stage", self.stage),
            Route("/pinned", self.pinned),
            Route("/sweep", self.sweep),
            Route("/steer", self.steer),
            Route("/write", self.write, methods=["POST"]),
            Route("/study", self.study, methods=["POST"]),
            Route("/sound-{name}/{file}", self.sound),
        ]
        return [
            *own,
            Mount("/run/{run}", routes=own),
            Route("/written/{name}", self.written),
            Route("/studied/{name}", self.studied),
            Route("/halt/{name}", self.halt, methods=["POST"]),
            Route("/progress/{run}", self.progress),
            Route("/stop/{run}", self.stop, methods=["POST"]),
            Route("/check", self.check, methods=["POST"]),
            Route("/explore", self.explore, methods=["POST"]),
            Route("/assets/{name}", script),
        ]

    def _address(self, run: str) -> str:
        return f"{self._root}run/{run}/" if run else self._root

    def _run(self, request: Request) -> Run:
        try:
            return self.runs[request.path_params.get("run", "")]
        except KeyError:
            raise HTTPException(404, "this exploration is no longer here") from None

    def _subject(self, request: Request) -> Subject:
        subject = self._run(request).subject
        if subject is None:
            raise HTTPException(404, "this exploration has not come to an end")
        return subject

    def page(self, request: Request) -> Response:
        """Return the document."""
        own, run = self._subject(request), request.path_params.get("run", "")
        if run not in self._pages:
            live = own.live(self._root, self._address(run))
            self._pages[run] = live_page(own.document, live)
        return HTMLResponse(self._pages[run])

    def stage(self, request: Request) -> Response:
        """Return what the document says of another stage, or what is wrong with a value."""
        pairs = _pairs(request.query_params.items())
        reply = pairs.pop("send", "quick")
        if reply not in SENT:
            raise HTTPException(404)
        return JSONResponse(self._subject(request).reply(pairs, reply))

    def pinned(self, request: Request) -> Response:
        """Return what differs between stages, each given by its own address."""
        own = self._subject(request)
        given = request.query_params.getlist("stage")[:MOST_PINNED]
        return _told(lambda: pinned_html(own, [own.design(_pairs(parse_qsl(q))) for q in given]))

    def sweep(self, request: Request) -> Response:
        """Return a chart of every score as one part of a stage moves."""
        own, pairs = self._subject(request), _pairs(request.query_params.items())
        key = pairs.pop("moved", "")
        return _told(lambda: sweep_html(own, own.design(pairs), key))

    def steer(self, request: Request) -> Response:
        """Return the nearest designs that are better where that is wished."""
        own, pairs = self._subject(request), _pairs(request.query_params.items())
        wishes: dict[str, Any] = {n: pairs.pop(n) for n in list(pairs) if n in REGISTRY}
        return _told(lambda: steered_html(own, own.design(pairs), wishes))

    async def write(self, request: Request) -> Response:
        """Write a file about a stage; return what is told of it, and where it will be told on."""
        given = await _texts(request, "what", "stage")
        own = self._subject(request)
        return await run_in_threadpool(self._write, own, given["what"], given["stage"])

    def _write(self, own: Subject, what: str, stage: str) -> Response:
        try:
            design = own.design(_pairs(parse_qsl(stage)))
            place = self.runs.place(own.text) / f"stage-{short_name(own.query(design))}"
            if (
                what == "report"
                and sum(not m.done for m in self._makings.values()) >= _MOST_WRITTEN
            ):
                allowed = f"{_MOST_WRITTEN} reports are being written: wait for one"
                raise InputError("write", what, allowed)
            making = make(what, own, design, place, self._folder)
        except (BriefError, InputError) as error:
            return JSONResponse({"told": str(error), "done": True})
        name = secrets.token_urlsafe(9)
        self._makings[name] = making
        return JSONResponse({"name": name, **asdict(making)})

    def written(self, request: Request) -> Response:
        """Return how far the files are that were asked for."""
        making = self._makings.get(request.path_params["name"])
        if making is None:
            raise HTTPException(404)
        return JSONResponse(asdict(making))

    async def study(self, request: Request) -> Response:
        """Start to work out a section about a stage; return by what name to ask for it."""
        given = await _texts(request, "what", "stage")
        own = self._subject(request)
        return await run_in_threadpool(self._study, own, given["what"], given["stage"])

    def _study(self, own: Subject, what: str, stage: str) -> Response:
        try:
            parts = own.parts(own.design(_pairs(parse_qsl(stage))))
            return JSONResponse({"name": self._studies.start(what, own.problem, parts)})
        except (BriefError, InputError) as error:
            return JSONResponse({"told": str(error)})

    def _named(self, request: Request) -> Study:
        try:
            return self._studies[request.path_params["name"]]
        except KeyError:
            raise HTTPException(404, "this section is no longer here") from None

    def studied(self, request: Request) -> Response:
        """Return how far a section is, and its HTML once it is there."""
        study = self._named(request)
        return JSONResponse({"done": study.done, "told": study.told, "html": study.html})

    def halt(self, request: Request) -> Response:
        """Stop working out a section."""
        self._named(request).stop()
        return JSONResponse({})

    def sound(self, request: Request) -> Response:
        """Return a sound of a section that was worked out."""
        content = self._named(request).sounds.get(request.path_params["file"])
        if content is None:
            raise HTTPException(404)
        return Response(content, media_type="audio/wav")

    async def check(self, request: Request) -> Response:
        """Return a brief with one value edited, as TOML and as a form, and what is wrong in it."""
        given = await _texts(request, "toml")
        return await run_in_threadpool(self._check, given)

    def _check(self, given: Mapping[str, str]) -> Response:
        text = given["toml"]
        if "path" in given:
            try:
                text = edited(text, given["path"], given.get("value", ""))
            except BriefError as error:
                problems = [{"field": e.field, "text": line(e)} for e in error.errors]
                return JSONResponse({"toml": text, "errors": problems})
        _, errors = checked(text, self._folder, self._source)
        reply = {"toml": text, "errors": errors}
        return JSONResponse(
            reply if "path" in given else reply | {"form": form_html(form_groups(text))}
        )

    async def explore(self, request: Request) -> Response:
        """Start to explore a brief; return the name of the exploration, or what is wrong."""
        given = await _texts(request, "toml")
        return await run_in_threadpool(self._explore, given["toml"])

    def _explore(self, text: str) -> Response:
        brief, errors = checked(text, self._folder, self._source)
        if brief is None:
            return JSONResponse({"errors": errors})
        try:
            return JSONResponse({"run": self.runs.start(brief)})
        except InputError as error:
            return JSONResponse({"errors": [{"field": "", "text": error.allowed}]})

    def progress(self, request: Request) -> Response:
        """Return how far an exploration is, and where it is shown once it has ended."""
        run = self._run(request)
        reply: dict[str, Any] = {"html": watch_html(run.watch), "failed": run.failed}
        if run.subject is not None:
            reply["address"] = self._address(request.path_params["run"])
        return JSONResponse(reply)

    def stop(self, request: Request) -> Response:
        """End an exploration with what it has."""
        self._run(request).stop()
        return JSONResponse({})


def script(request: Request) -> Response:
    """Return a script or the style of the page."""
    name = request.path_params["name"]
    if name not in _ASSETS:
        raise HTTPException(404)
    text = chart_script() if name == "charts.js" else asset(name)
    return Response(text, media_type=_ASSETS[name])


def _pairs(items: Iterable[tuple[str, str]]) -> dict[str, str]:
    """Return the values of an address, so many at most."""
    return dict(islice(items, _MOST_VALUES))


def _told(make: Callable[[], str]) -> Response:
    """Return HTML, or what is wrong with what was asked."""
    try:
        return JSONResponse({"html": make()})
    except (BriefError, InputError) as error:
        return JSONResponse({"wrong": str(error)})


async def _texts(request: Request, *needed: str) -> Mapping[str, str]:
    """Return the texts of a JSON object; a reply of 400 where it is none."""
    try:
        given = await request.json()
    except (ValueError, RecursionError):
        given = None
    if not isinstance(given, dict) or not all(isinstance(v, str) for v in given.values()):
        raise HTTPException(400, "expected an object of texts")
    if not set(needed) <= set(given):
        raise HTTPException(400, f"expected {', '.join(needed)}")
    return given


def application(
    subject: Subject, token: str, port: int, into: Path, folder: Traversable | Path = Path()
) -> Guard:
    """Return the page of a brief as an application, guarded.

    Parameters
    ----------
    token :
        First step of every path.
    port :
        At which it is served, on this machine alone.
    into :
        Folder in which files are kept and written.
    folder :
        That paths in the brief start from.
    """
    page = Page(subject, folder, into, f"/{token}/")
    return Guard(Starlette(routes=page.routes()), token, port)
