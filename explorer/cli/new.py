"""The command ``new``: write a brief to start from."""

from __future__ import annotations

import os
import sys
from collections.abc import Mapping
from pathlib import Path
from types import MappingProxyType
from typing import Annotated, Any, Final, NamedTuple

import typer
from rich.markup import escape

from explorer.cli.app import app, writing
from explorer.cli.printing import out, print_caution


class _Question(NamedTuple):
    option: str
    words: str
    usual: str = ""
    """Empty: nothing is asked of the stage."""
    unit: str = ""
    """Of a quantity."""
    least: float | None = None
    above: float | None = None


_SUPPLY_V: Final = 300.0
"""Usual supply (V), or less where the plate is rated for less."""

_QUESTIONS: Final[Mapping[str, _Question]] = MappingProxyType(
    {
        "valve": _Question("--valve", "Valve", "12AX7"),
        "supply_V": _Question("--supply", "Supply voltage", f"{_SUPPLY_V:g} V", "V", above=0),
        "source_ohm": _Question("--source", "Resistance of what drives the stage", "10k", "ohm", 0),
        "load_ohm": _Question("--load", "Resistance that the stage drives", "1M", "ohm", above=0),
        "corner_Hz": _Question(
            "--corner", "Input corner, such as 6 kHz (empty: any)", "", "Hz", above=0
        ),
        "radio": _Question("--radio", "Radio bands to keep out, such as AM, FM (empty: none)"),
        "gain_dB": _Question("--gain", "Least gain, such as 30 dB (empty: any)", "", "dB"),
        "title": _Question("--title", "Title (empty: by the valve)"),
    }
)
"""What is asked, by field of :class:`~explorer.new_brief.BriefAnswers`."""

_RADIO_dB: Final = "20 dB"
"""Attenuation asked of a radio band where none is stated."""


@app.command()
def new(
    file: Annotated[
        Path, typer.Argument(metavar="[FILE]", help="Where to write the brief.")
    ] = Path("my-brief.toml"),
    valve: Annotated[str | None, typer.Option("--valve", help="Type, such as 12AX7.")] = None,
    supply: Annotated[str | None, typer.Option("--supply", help="Supply, such as 300 V.")] = None,
    source: Annotated[
        str | None, typer.Option("--source", help="Resistance of what drives it, such as 68k.")
    ] = None,
    load: Annotated[
        str | None, typer.Option("--load", help="Resistance that it drives, such as 1M.")
    ] = None,
    corner: Annotated[
        str | None, typer.Option("--corner", help="Input corner wanted, such as 6 kHz.")
    ] = None,
    radio: Annotated[
        list[str] | None,
        typer.Option(
            "--radio",
            metavar="BAND[=dB]",
            help=f"Radio band to keep out, by so much ({_RADIO_dB}); may be repeated.",
        ),
    ] = None,
    gain: Annotated[str | None, typer.Option("--gain", help="Least gain, such as 30 dB.")] = None,
    title: Annotated[str | None, typer.Option("--title", help="Title of the job.")] = None,
    drawer: Annotated[
        Path | None,
        typer.Option("--from-drawer", help="CSV list of your parts, in place of a series."),
    ] = None,
    force: Annotated[bool, typer.Option("--force", help="Overwrite an existing file.")] = False,
) -> None:
    """Write a brief to start from, each line explained; without options it asks.

    The ranges of the parts suit the valve: they are worked out from its own law.

    Examples:

      stagefront new

      stagefront new second-stage.toml --valve 12AX7 --source 68k --corner "6 kHz"

      stagefront new input.toml --valve 12AY7 --radio AM --radio "FM=30 dB" --gain "25 dB"
    """
    # Imported here so that help answers at once.
    from explorer.brief.loading import parse_brief
    from explorer.brief_review import review
    from explorer.cli.doubts import print_doubts
    from explorer.formulation import formulate
    from explorer.new_brief import BriefAnswers, new_brief_text
    from objectives.files import drafts

    _check_place(file, force)
    given = {
        "valve": valve, "supply_V": supply, "source_ohm": source, "load_ohm": load,
        "corner_Hz": corner, "radio": ",".join(radio) if radio else None, "gain_dB": gain,
        "title": title,
    }  # fmt: skip
    asks = sys.stdin.isatty() and drawer is None and not any(v is not None for v in given.values())
    answers: dict[str, Any] = {}
    for name, text in given.items():
        usual = _QUESTIONS[name].usual
        if name == "supply_V":
            rated = answers["valve"].plate_voltage_max_V or _SUPPLY_V
            usual = f"{min(rated, _SUPPLY_V):g} V"
        answers[name] = _answer(name, text, usual, asks)
    parts = _drawer_path(drawer, file.parent)
    text = new_brief_text(BriefAnswers(**answers, drawer=parts), file.name)
    formulation = formulate(parse_brief(text, file.parent, str(file)))
    with writing(file), drafts(file.parent) as folder:
        (folder / file.name).write_text(text, encoding="utf-8")
    console = out()
    console.print(f"{escape(str(file))}: written. Read it, change it, then run:", soft_wrap=True)
    for command in ("check", "explore"):
        console.print(f"  stagefront {command} {escape(str(file))}", soft_wrap=True)
    doubts = review(formulation).doubts
    if doubts:
        print_doubts(doubts, formulation.problem.terms)
    print_caution(console)


def _check_place(file: Path, force: bool) -> None:
    from objectives.checks import InputError

    if file.is_dir() or not file.parent.is_dir():
        raise InputError("FILE", str(file), "must be a file in a folder that exists")
    if file.exists() and not force:
        raise InputError("FILE", str(file), "exists: choose another name, or add --force")


def _answer(name: str, text: str | None, usual: str, asks: bool) -> Any:
    """Return an answer as a new brief takes it, asked for where it is not given."""
    if text is not None or not asks:
        return _read(name, usual if text is None else text)

    def read(entered: str) -> Any:
        try:
            return _read(name, entered)
        except ValueError as error:  # asked once more
            raise typer.BadParameter(str(error)) from None

    return typer.prompt(_QUESTIONS[name].words, usual, value_proc=read, show_default=bool(usual))


def _read(name: str, text: str) -> Any:
    """Return what an answer says.

    Raises
    ------
    InputError
        If it cannot be.
    """
    from explorer.units import QuantityError, QuantityField
    from objectives.checks import InputError
    from objectives.devices.names import find
    from objectives.devices.valve_table import valves

    question = _QUESTIONS[name]
    option, usual, unit = question.option, question.usual, question.unit
    if name == "valve":
        return find(text, valves(), option)
    if name == "radio":
        return tuple(_band(one.strip()) for one in text.split(",") if one.strip())
    if not unit or (not text.strip() and not usual):
        return text.strip() or None
    try:
        return QuantityField(unit, minimum=question.least, above=question.above).parse(text)
    except QuantityError as error:
        raise InputError(option, text, error.allowed) from None


def _band(text: str) -> tuple[str, float]:
    """Return the key of a radio band and the attenuation asked (dB) of ``FM=30 dB``."""
    from explorer.units import QuantityError, QuantityField
    from objectives.checks import InputError, one_of
    from objectives.circuit.arrival import AtJack
    from objectives.format import quantity
    from objectives.radio.tables import radio_band, radio_bands

    key, _, level = (piece.strip() for piece in text.partition("="))
    keys = {band.key.casefold(): band.key for band in radio_bands()}
    one_of("--radio", keys.get(key.casefold(), key), keys.values())
    top = AtJack().trust.highest_Hz
    if radio_band(key).low_Hz >= top:
        allowed = (
            f"expected a band below {quantity(top, 'Hz', 3)}: the model is trusted up to there"
        )
        raise InputError("--radio", text, allowed)
    try:
        return keys[key.casefold()], QuantityField("dB", minimum=0).parse(level or _RADIO_dB)
    except QuantityError as error:
        raise InputError("--radio", text, error.allowed) from None


def _drawer_path(drawer: Path | None, folder: Path) -> str | None:
    """Return the path of a drawer as a brief in that folder names it."""
    from explorer.brief.errors import BriefError
    from explorer.drawer import read_drawer
    from objectives.checks import InputError

    if drawer is None:
        return None
    try:
        read_drawer(drawer)
    except BriefError as error:
        raise InputError("--from-drawer", str(drawer), error.problems[0]) from None
    return Path(os.path.relpath(drawer.resolve(), folder.resolve())).as_posix()
