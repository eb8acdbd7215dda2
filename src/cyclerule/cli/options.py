"""Options that several commands have, and the settings and the way of showing that they make."""

from collections.abc import Callable
from functools import wraps
from pathlib import Path
from typing import Any

import click

from cyclerule.cli.output import Output

Command = Callable[..., Any]


def _parts(context: click.Context, parameter: click.Parameter, begun: str) -> list[str]:
    from cyclerule.cli.completion import complete_part

    return complete_part(context, parameter, begun)


_BUILD = (
    click.option(
        "--part",
        metavar="NAME",
        shell_complete=_parts,
        help="The microcontroller, as the compiler names it: atmega328p.",
    ),
    click.option("--clock", metavar="CLOCK", help="The CPU clock: 16MHz, '8000 kHz', or hertz. Defines F_CPU."),
    click.option("--optimize", metavar="LEVEL", help="What stands behind -O: s (the default), 0, 1, 2, 3, fast or g."),
    click.option("--flag", "flags", metavar="FLAG", multiple=True, help="A flag for the compiler; repeatable."),
    click.option("--define", "defines", metavar="NAME[=VALUE]", multiple=True, help="A macro; repeatable."),
    click.option("--toolchain", metavar="FOLDER", type=click.Path(path_type=Path), help="The avr-gcc to use."),
    click.option(
        "--declare",
        "prototypes",
        metavar="PROTOTYPE",
        multiple=True,
        help="A function that has no debug information, 'float sin(float)'; in a HEX file with its address, "
        "'uint8_t f(uint8_t) @ 0x80'; repeatable.",
    ),
)
_SHOW = (
    click.option("--json", "as_json", is_flag=True, help="Print one JSON document and nothing else."),
    click.option(
        "-q", "--quiet", "is_quiet", is_flag=True, help="Print the first sentence, in one line, and warnings."
    ),
    click.option("--plain", "is_plain", is_flag=True, help="Print ASCII characters only, without colour or bars."),
    click.option(
        "--color",
        type=click.Choice(["auto", "always", "never"]),
        default="auto",
        help="Colour; auto heeds NO_COLOR, FORCE_COLOR and the terminal.",
    ),
)


def signals_option(command: Command) -> Command:
    """Adds the option for what comes to the chip from outside."""
    return click.option(
        "--signals",
        metavar="FILE",
        type=click.Path(path_type=Path),
        help="What comes from outside, and when: a CSV file of levels on pins and bytes for serial ports.",
    )(command)


def build_options(command: Command) -> Command:
    """Adds the options that say how code is built, and gives the command the settings that they make."""

    @wraps(command)
    def with_settings(
        *,
        part: str | None,
        clock: str | None,
        optimize: str | None,
        flags: tuple[str, ...],
        defines: tuple[str, ...],
        toolchain: Path | None,
        **others: Any,
    ) -> Any:
        from cyclerule.project.settings import read_settings

        settings = read_settings(
            part=part,
            clock=clock,
            optimize=optimize,
            flags=flags,
            defines=dict(_definition(each) for each in defines),
            toolchain=toolchain,
        )
        return command(settings=settings, **others)

    return _with_options(with_settings, _BUILD)


def show_options(command: Command) -> Command:
    """Adds the options that say how a result is shown, and gives the command the output that they make."""

    @wraps(command)
    def with_output(*, is_quiet: bool, is_plain: bool, color: str, **others: Any) -> Any:
        return command(output=Output(is_quiet, is_plain, color), **others)

    return _with_options(with_output, _SHOW)


def _with_options(command: Command, options: tuple[Callable[[Command], Command], ...]) -> Command:
    for option in reversed(options):
        command = option(command)
    return command


def _definition(text: str) -> tuple[str, str]:
    name, equals, value = text.partition("=")
    # As the compiler's own -D: a macro without a value is 1.
    return name, value if equals else "1"
