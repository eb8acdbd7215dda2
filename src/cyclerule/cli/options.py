"""Options that several commands have."""

from collections.abc import Callable
from pathlib import Path
from typing import Any, TypeVar

import click

Command = TypeVar("Command", bound=Callable[..., Any])

_BUILD = (
    click.option("--part", metavar="NAME", help="Which microcontroller, as the compiler names it: atmega328p."),
    click.option("--clock", metavar="CLOCK", help="The CPU clock: 16MHz, '8000 kHz', or hertz. Defines F_CPU."),
    click.option("--optimize", metavar="LEVEL", help="What stands behind -O: s (the default), 0, 1, 2, 3, fast, g."),
    click.option("--flag", "flags", metavar="FLAG", multiple=True, help="One more flag for the compiler; repeatable."),
    click.option("--define", "defines", metavar="NAME[=VALUE]", multiple=True, help="A macro to define; repeatable."),
    click.option("--toolchain", type=click.Path(path_type=Path), metavar="FOLDER", help="Which avr-gcc to use."),
    click.option(
        "--declare",
        "prototypes",
        metavar="PROTOTYPE",
        multiple=True,
        help="The C prototype of a function without debug information, 'float sin(float)'; "
        "in a HEX file with its address, 'uint8_t f(uint8_t) @ 0x80'.",
    ),
)


def build_options(command: Command) -> Command:
    """Adds the options that say how code is built."""
    for option in reversed(_BUILD):
        command = option(command)
    return command
