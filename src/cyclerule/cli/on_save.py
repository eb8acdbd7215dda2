"""`--on-save`: a command again whenever one of the files that it is about is saved."""

import sys
import time
from collections.abc import Callable, Iterable, Mapping, Sequence
from dataclasses import dataclass, field
from hashlib import sha256
from pathlib import Path
from typing import TYPE_CHECKING

import click

from cyclerule.cli.output import Output
from cyclerule.errors import BuildError, CycleruleError, FaultError, RunawayError

if TYPE_CHECKING:
    from cyclerule.project.settings import Settings

POLL_SECONDS = 0.25
"""How often the files are looked at."""

SETTLED_SECONDS = 0.1
"""A file that has not changed for so long is saved whole; editors write in several steps."""

PROJECT = Path("cyclerule.toml")

IS_AGAIN = "cyclerule.on_save"
"""Set in the context of a command that runs again and again: it then says too when nothing has changed."""


def look_at(path: Path) -> tuple[int, int] | None:
    """Gives what tells quickly that a file may have changed: when it was written, and its size; None without it."""
    try:
        status = path.stat()
    except OSError:
        return None
    return status.st_mtime_ns, status.st_size


def content_of(path: Path) -> str | None:
    """Gives what tells for certain that a file has changed: the hash of its content; None without it."""
    try:
        return sha256(path.read_bytes()).hexdigest()
    except OSError:
        return None


@dataclass
class Watched:
    """Files as they were when last looked at; polling works on every system and on network drives."""

    paths: Sequence[Path]
    sleep: Callable[[float], None] = time.sleep
    _looks: Mapping[Path, tuple[int, int] | None] = field(default_factory=dict)
    _contents: Mapping[Path, str | None] = field(default_factory=dict)

    def __post_init__(self) -> None:
        self._looks = {path: look_at(path) for path in self.paths}
        self._contents = {path: content_of(path) for path in self.paths}

    def wait(self) -> list[Path]:
        """Waits until the content of some has changed and is saved whole; gives those."""
        while True:
            self.sleep(POLL_SECONDS)
            looks = {path: look_at(path) for path in self.paths}
            if looks == self._looks:
                continue
            while True:
                self.sleep(SETTLED_SECONDS)
                settled = {path: look_at(path) for path in self.paths}
                if settled == looks:
                    break
                looks = settled
            self._looks = looks
            contents = {path: content_of(path) for path in self.paths}
            saved = [path for path in self.paths if contents[path] != self._contents[path]]
            # An editor that replaces a file takes it away for a moment.
            if saved and not any(contents[path] is None and self._contents[path] is not None for path in saved):
                self._contents = contents
                return saved


def run_again(
    run: Callable[[], object], files: Callable[[], Sequence[Path]], output: Output, *, sleep: Callable[[float], None]
) -> None:
    """Runs something, and again at each save of one of the files, until Ctrl-C.

    What is wrong with the code is shown, and the next save is waited for; what is wrong with the command itself ends
    it, as long as it has never run through.
    """
    has_run = False
    while True:
        # Before the run: what is saved while it lasts is seen behind it.
        watched = Watched(files(), sleep)
        try:
            run()
            has_run = True
        except click.exceptions.Exit:
            has_run = True
        except CycleruleError as error:
            if not has_run and not isinstance(error, BuildError | RunawayError | FaultError):
                raise
            click.echo(f"cyclerule: {error}", err=True)
        # Whoever reads through a pipe waits for it now.
        sys.stdout.flush()
        output.remark(f"waiting for a save of {_named(watched.paths)}; Ctrl-C ends")
        saved = watched.wait()
        output.remark(f"\n{time.strftime('%H:%M:%S')}  {', '.join(path.name for path in saved)} saved")


def _named(paths: Sequence[Path]) -> str:
    names = list(dict.fromkeys(path.name for path in paths if path != PROJECT))
    shown = ", ".join(names[:4])
    return shown if len(names) <= 4 else f"{shown} and {len(names) - 4} more"


def time_at_each_save(context: click.Context, words: Iterable[str], settings: "Settings", output: Output) -> None:
    """Runs the command of a context at each save of the files that its words name, or of a header of theirs."""
    given = _files_in(words) or list(settings.sources)
    if not given:
        raise click.UsageError("--on-save needs files to wait for")
    context.meta[IS_AGAIN] = True

    def run() -> object:
        return context.invoke(context.command, **{**context.params, "on_save": False})

    run_again(run, lambda: _files_of(given, settings), output, sleep=time.sleep)


def _files_in(words: Iterable[str]) -> list[Path]:
    """Gives the files in words such as "hive.c", "read@scale.c" and "hive.c:41-48"."""
    found: dict[Path, None] = {}
    for word in words:
        parts = (word, word.rpartition("@")[2], word.rpartition(":")[0])
        file = next((Path(part) for part in parts if part and Path(part).is_file()), None)
        if file is not None:
            found[file] = None
    return list(found)


def _files_of(given: Sequence[Path], settings: "Settings") -> list[Path]:
    from cyclerule.firmware.dependencies import files_beside, files_of_build
    from cyclerule.session.opening import LINKED
    from cyclerule.toolchain import find

    files = list(given)
    if settings.part is not None and not any(path.suffix.lower() in LINKED for path in given):
        try:
            files = files_of_build(
                given,
                toolchain=find(settings.toolchain),
                part_name=settings.part,
                clock=settings.clock,
                optimize=settings.optimize,
                flags=settings.flags,
                defines=settings.defines,
            )
        except CycleruleError:
            files = list(dict.fromkeys([*given, *files_beside(given)]))
    return [*files, *([PROJECT] if PROJECT.is_file() else [])]
