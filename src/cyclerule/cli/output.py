"""Where a command writes: results to standard output, progress and remarks to standard error."""

import os
import sys
import time
from collections.abc import Callable, Iterator, Mapping
from contextlib import contextmanager
from dataclasses import dataclass
from typing import TYPE_CHECKING, TextIO

if TYPE_CHECKING:
    from cyclerule.report.terminal import Screen

SHOWN_AFTER_SECONDS = 0.6
"""A progress bar appears when something takes longer than this."""

Told = Callable[[str, int, int], None]
"""Called with what is being done, how much of it is done, and how much there is."""


@dataclass(frozen=True)
class Output:
    """How a command shows its result."""

    is_quiet: bool = False
    is_plain: bool = False
    color: str = "auto"

    def screen(self) -> "Screen":
        """Gives standard output as a screen."""
        return self._screen(sys.stdout)

    def remarks(self) -> "Screen":
        """Gives standard error as a screen."""
        return self._screen(sys.stderr)

    def _screen(self, stream: TextIO) -> "Screen":
        from cyclerule.report.terminal import PIPED_WIDTH, Screen

        is_terminal = stream.isatty()
        return Screen(
            stream,
            has_colour=not self.is_plain and wants_colour(self.color, os.environ, is_terminal=is_terminal),
            is_plain=self.is_plain,
            is_terminal=is_terminal,
            width=None if is_terminal or os.environ.get("COLUMNS") else PIPED_WIDTH,
        )

    def live_text(self) -> "LiveText | None":
        """Gives what writes a text on standard output as it comes; None where no terminal reads."""
        return LiveText(self.screen(), sys.stdout) if sys.stdout.isatty() else None

    def remark(self, text: str) -> None:
        """Writes a remark to standard error, unless quiet."""
        if not self.is_quiet:
            self.remarks().line(text)

    @contextmanager
    def progress(self) -> Iterator[Told]:
        """Shows a bar on standard error for what takes long; only on a terminal, and gone when it is done."""
        is_shown = sys.stderr.isatty() and not self.is_quiet and not self.is_plain and os.environ.get("TERM") != "dumb"
        if not is_shown:
            yield lambda _what, _done, _all: None
            return
        from rich.progress import BarColumn, Progress, TextColumn, TimeRemainingColumn

        began = time.monotonic()
        bar = Progress(
            TextColumn("{task.description}"),
            BarColumn(),
            TextColumn("{task.completed:,.0f} of {task.total:,.0f}"),
            TimeRemainingColumn(compact=True),
            console=self.remarks().console,
            transient=True,
        )
        task = bar.add_task("")

        def tell(what: str, done: int, of: int) -> None:
            if not bar.live.is_started and done < of and time.monotonic() - began > SHOWN_AFTER_SECONDS:
                bar.start()
            bar.update(task, description=what, completed=done, total=of)

        try:
            yield tell
        finally:
            bar.stop()


class LiveText:
    """Text that a program sends, written to a terminal as it comes."""

    def __init__(self, screen: "Screen", stream: TextIO) -> None:
        from cyclerule.report.serial_text import SerialText

        self._screen, self._stream, self._text = screen, stream, SerialText()
        self._at_beginning, self._has_written = True, False

    def add(self, byte: int) -> None:
        """Writes what one more byte makes certain."""
        self._write(self._text.feed(bytes([byte])))

    def finish(self) -> None:
        """Writes what is left, and an empty line behind it."""
        self._write(self._text.feed(b"", is_last=True))
        if self._has_written:
            self._write("\n" if self._at_beginning else "\n\n")

    def _write(self, text: str) -> None:
        if text:
            self._at_beginning, self._has_written = text.endswith("\n"), True
            self._stream.write(self._screen.text(text))
            self._stream.flush()


def wants_colour(color: str, environment: Mapping[str, str], *, is_terminal: bool) -> bool:
    """Decides on colour: the option, else NO_COLOR (no-color.org), FORCE_COLOR, TERM=dumb, else a terminal has it."""
    if color != "auto":
        return color == "always"
    if environment.get("NO_COLOR"):
        return False
    if environment.get("FORCE_COLOR"):
        return True
    return is_terminal and environment.get("TERM") != "dumb"
