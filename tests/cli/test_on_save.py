"""`time` beside its last result, and again at each save."""

import json
import os
import signal
import subprocess
import sys
import time
from collections.abc import Callable, Iterator
from pathlib import Path

import pytest
from click.testing import CliRunner

from cyclerule.cli.commands import commands
from cyclerule.cli.last import last_results
from cyclerule.cli.on_save import Watched, run_again
from cyclerule.cli.output import Output
from cyclerule.errors import ArgumentError, BuildError, RunawayError

SOURCE = '#include "turns.h"\nunsigned char sum(unsigned char x)\n{\n    return x + TURNS;\n}\n'
SLOW = "unsigned char sum(unsigned char x) { return x * 3 / 7; }\n"


@pytest.fixture
def source(tmp_path: Path) -> Path:
    """A file with a header of its own."""
    (tmp_path / "turns.h").write_text("#define TURNS 3\n", "utf-8")
    (tmp_path / "sum.c").write_text(SOURCE, "utf-8")
    return tmp_path / "sum.c"


def timed(source: Path, *options: str) -> str:
    """Gives what `cyclerule time` prints, by a command that begins anew."""
    last_results.cache_clear()
    done = CliRunner().invoke(commands, ["time", str(source), "sum", "--part", "atmega328p", *options])
    assert done.exit_code == 0, done.output
    return done.stdout


class TestLastResult:
    def test_a_change_is_told_once(self, source: Path) -> None:
        """The first time there is nothing to tell, nor when nothing has changed."""
        assert "was" not in timed(source)
        assert "was" not in timed(source)
        source.write_text(SLOW, "utf-8")
        lines = timed(source).splitlines()
        assert lines[1].startswith("  was 5, now ")
        assert ": +" in lines[1]
        assert "was" not in timed(source)

    def test_it_is_the_same_function_with_the_same_inputs_on_the_same_part(self, source: Path) -> None:
        """Other inputs, another part and a state made otherwise have figures of their own."""
        timed(source)
        source.write_text(SLOW, "utf-8")
        for others in (["x=1"], ["x=0..3"], ["--interrupts"]):
            assert "was" not in timed(source, *others)
        assert "was" in timed(source)
        last_results.cache_clear()
        other = CliRunner().invoke(commands, ["time", str(source), "sum", "--part", "attiny85"])
        assert "was" not in other.stdout

    def test_flags_may_differ_and_are_named(self, source: Path) -> None:
        """Those of the last time."""
        timed(source, "--optimize", "0")
        assert "; then with -O0" in timed(source)

    def test_lines_have_it_too(self, tmp_path: Path) -> None:
        """By their numbers, in a run of the same length."""
        file = tmp_path / "run.c"
        text = "volatile unsigned char n;\nint main(void)\n{\n    for (;;) {\n        n = n + 1;\n    }\n}\n"
        command = ["time", f"{file}:5", "--part", "atmega328p", "--passes", "10"]
        file.write_text(text, "utf-8")
        runner = CliRunner()
        assert "was" not in runner.invoke(commands, command).stdout
        last_results.cache_clear()
        file.write_text(text.replace("n + 1", "n / 3"), "utf-8")
        changed = runner.invoke(commands, command).stdout.splitlines()
        assert any(line.startswith("  was ") and ": +" in line for line in changed)

    def test_documents_do_not_depend_on_the_last_result(self, source: Path) -> None:
        """A JSON document, a comment and rows are the same however often they are made."""
        for options in (["--json"], ["--comment"], ["--csv", "-"]):
            first = timed(source, *options)
            timed(source, "--optimize", "0")
            assert timed(source, *options) == first
        assert "was" not in json.dumps(json.loads(timed(source, "--json")))

    def test_quiet_has_it_in_the_line(self, source: Path) -> None:
        """One line."""
        timed(source, "--optimize", "0")
        (line,) = timed(source, "-q", "--plain").splitlines()
        assert "; was " in line
        assert ": -" in line

    def test_a_place_that_cannot_be_used_changes_nothing(
        self, source: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
    ) -> None:
        """A damaged file, and a folder that is none."""
        expected = timed(source)
        monkeypatch.setenv("CYCLERULE_DATA", str(source))
        assert timed(source) == expected
        folder = tmp_path / "damaged"
        folder.mkdir()
        (folder / "results.sqlite").write_bytes(b"damaged" * 100)
        monkeypatch.setenv("CYCLERULE_DATA", str(folder))
        assert timed(source) == expected


class Steps:
    """Stands in for the clock: at each sleep the next step is done; after the last one Ctrl-C is pressed."""

    def __init__(self, *steps: Callable[[], object]) -> None:
        self._steps: Iterator[Callable[[], object]] = iter(steps)

    def __call__(self, _seconds: float) -> None:
        """Does the next step."""
        step = next(self._steps, None)
        if step is None:
            raise KeyboardInterrupt
        step()


def nothing() -> None:
    """Lets time pass."""


class TestWatching:
    def test_a_save_is_seen_when_the_file_has_settled(self, tmp_path: Path) -> None:
        """Written in two steps, it is seen once."""
        file = tmp_path / "a.c"
        file.write_text("one", "utf-8")
        steps = Steps(
            nothing, lambda: file.write_text("two", "utf-8"), lambda: file.write_text("two three", "utf-8"), nothing
        )
        assert Watched([file], steps).wait() == [file]
        assert file.read_text("utf-8") == "two three"

    def test_a_file_written_with_the_same_content_is_no_save(self, tmp_path: Path) -> None:
        """Its date alone tells nothing."""
        file = tmp_path / "a.c"
        file.write_text("one", "utf-8")
        steps = Steps(lambda: os.utime(file, ns=(1, 1)), nothing, nothing, nothing)
        with pytest.raises(KeyboardInterrupt):
            Watched([file], steps).wait()

    def test_a_file_that_is_replaced_is_waited_for(self, tmp_path: Path) -> None:
        """Some editors take it away and put a new one there."""
        file = tmp_path / "a.c"
        file.write_text("one", "utf-8")
        steps = Steps(file.unlink, nothing, nothing, lambda: file.write_text("two", "utf-8"), nothing)
        assert Watched([file], steps).wait() == [file]

    def test_what_does_not_build_is_shown_and_waited_for(
        self, tmp_path: Path, capsys: pytest.CaptureFixture[str]
    ) -> None:
        """And what runs away too; the command goes on at the next save, also where it never ran through."""
        file = tmp_path / "a.c"
        file.write_text("0", "utf-8")
        outcomes: list[Exception | None] = [BuildError("no semicolon"), RunawayError("never returns"), None]
        ran = []

        def run() -> None:
            ran.append(file.read_text("utf-8"))
            outcome = outcomes.pop(0)
            if outcome is not None:
                raise outcome

        saves = [lambda n=n: file.write_text(str(n), "utf-8") for n in (1, 2)]
        steps = Steps(saves[0], nothing, saves[1], nothing)
        with pytest.raises(KeyboardInterrupt):
            run_again(run, lambda: [file], Output(is_plain=True), sleep=steps)
        assert ran == ["0", "1", "2"]
        told = capsys.readouterr().err
        assert "cyclerule: no semicolon\n" in told
        assert "cyclerule: never returns\n" in told
        assert told.count("waiting for a save of a.c; Ctrl-C ends") == 3
        assert told.count("  a.c saved") == 2

    def test_a_command_that_is_wrong_ends_at_once(self, tmp_path: Path) -> None:
        """No save mends it; once it has run, what is wrong is shown like all else."""
        file = tmp_path / "a.c"
        file.write_text("0", "utf-8")

        def run() -> None:
            raise ArgumentError("no such option")

        with pytest.raises(ArgumentError, match="no such option"):
            run_again(run, lambda: [file], Output(), sleep=Steps())

    def test_it_needs_files(self) -> None:
        """Statements alone for a part have none."""
        done = CliRunner().invoke(commands, ["time", "--code", "PORTB = 1", "--on-save", "--part", "atmega328p"])
        assert done.exit_code == 2
        assert "--on-save needs files to wait for" in done.output


@pytest.mark.skipif(os.name == "nt", reason="Ctrl-C cannot be sent to one process there")
def test_a_header_saved_is_timed_again_and_ctrl_c_ends_it(source: Path, tmp_path: Path) -> None:
    """The real command: first figures, the change, an error that is shown, the next change, exit status 130."""
    command = [sys.executable, "-m", "cyclerule", "time", str(source), "sum", "--part", "atmega328p", "--on-save", "-q"]
    (tmp_path / "data").mkdir()
    with (
        (tmp_path / "out.txt").open("w", encoding="utf-8") as out,
        (tmp_path / "err.txt").open("w", encoding="utf-8") as err,
        subprocess.Popen(
            command,
            stdout=out,
            stderr=err,
            env={**os.environ, "CYCLERULE_DATA": str(tmp_path / "data"), "PYTHONUNBUFFERED": "1"},
        ) as process,
    ):

        def lines(count: int, name: str = "out.txt") -> list[str]:
            ends = time.monotonic() + 60
            while time.monotonic() < ends:
                found = (tmp_path / name).read_text("utf-8").splitlines()
                if len(found) >= count:
                    return found
                time.sleep(0.05)
            process.kill()
            pytest.fail(f"{name} has {(tmp_path / name).read_text('utf-8')!r}")

        lines(1)
        time.sleep(1)
        (tmp_path / "turns.h").write_text("#define TURNS x / 7\n", "utf-8")
        changed = lines(2)
        time.sleep(1)
        source.write_text("unsigned char sum(", "utf-8")
        lines(1, "err.txt")
        time.sleep(2)
        process.send_signal(signal.SIGINT)
        assert process.wait(30) == 130
    assert changed[0].startswith("sum: 5 cycles")
    assert "; was 5, now " in changed[1]
    told = (tmp_path / "err.txt").read_text("utf-8")
    assert f"cyclerule: {source} does not compile:" in told
    assert told.endswith("cyclerule: interrupted\n")
