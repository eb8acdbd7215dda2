"""How a command shows its result, what it takes from where, and how it ends."""

import json
import os
import re
import subprocess
import sys
from collections.abc import Callable
from pathlib import Path

import pytest
from click.testing import CliRunner, Result

from cyclerule import __version__
from cyclerule.cli.commands import commands
from cyclerule.cli.main import main
from cyclerule.cli.output import wants_colour
from cyclerule.cli.overview import COMMANDS
from cyclerule.errors import CycleruleError

HIVE = Path(__file__).parents[2] / "examples" / "hive"
CRC = str(HIVE / "crc.c")
ESCAPE = "\x1b["
ONE = ("time", CRC, "crc8_step_table", "crc=1", "byte=2")
MANY = ("time", CRC, "crc8_step_bits")

Run = Callable[..., Result]


@pytest.fixture
def run(monkeypatch: pytest.MonkeyPatch) -> Run:
    """Gives the commands, run with words; part and clock come from the environment."""
    for name, value in {"CYCLERULE_PART": "atmega328p", "CYCLERULE_CLOCK": "16MHz", "COLUMNS": "80"}.items():
        monkeypatch.setenv(name, value)

    def runs(*words: str) -> Result:
        return CliRunner().invoke(commands, list(words))

    return runs


def process(*words: str, **environment: str) -> "subprocess.Popen[bytes]":
    """Starts the command as a process of its own."""
    return subprocess.Popen(
        [sys.executable, "-m", "cyclerule", *words],
        stdout=subprocess.PIPE,
        stderr=subprocess.PIPE,
        env={**os.environ, "CYCLERULE_PART": "atmega328p", "PYTHONUTF8": "1", **environment},
    )


class TestColour:
    @pytest.mark.parametrize(
        ("option", "environment", "is_terminal", "wanted"),
        [
            ("auto", {}, True, True),
            ("auto", {}, False, False),
            ("auto", {"TERM": "dumb"}, True, False),
            ("auto", {"NO_COLOR": "1"}, True, False),
            ("auto", {"NO_COLOR": ""}, True, True),
            ("auto", {"FORCE_COLOR": "1"}, False, True),
            ("auto", {"FORCE_COLOR": "1", "NO_COLOR": "1"}, True, False),
            ("always", {"NO_COLOR": "1"}, False, True),
            ("never", {"FORCE_COLOR": "1"}, True, False),
        ],
    )
    def test_it_follows_the_option_then_the_environment_then_the_terminal(
        self, option: str, environment: dict[str, str], *, is_terminal: bool, wanted: bool
    ) -> None:
        """no-color.org: a NO_COLOR that is not empty means none, "" counts as unset."""
        assert wants_colour(option, environment, is_terminal=is_terminal) is wanted

    def test_a_pipe_gets_none_unless_asked(self, run: Run) -> None:
        """Neither with the rows nor with the list."""
        for words in (ONE, MANY, (CRC,)):
            assert ESCAPE not in run(*words).stdout
            assert ESCAPE in run(*words, "--color", "always").stdout

    def test_plain_is_ascii_whatever_is_asked(self, run: Run) -> None:
        """Also with a histogram."""
        for words in (ONE, MANY, (CRC,)):
            done = run(*words, "--plain", "--color", "always")
            assert done.exit_code == 0
            assert done.stdout.isascii()
            assert ESCAPE not in done.stdout


class TestFaces:
    def test_quiet_is_the_sentence_and_nothing_else(self, run: Run) -> None:
        """One line, however long."""
        for words in (ONE, MANY, (CRC,), ("parts", "328")):
            done = run(*words, "-q")
            assert done.exit_code == 0
            assert len(done.output.splitlines()) == 1

    def test_results_go_to_the_output_and_remarks_to_the_errors(self, run: Run, tmp_path: Path) -> None:
        """JSON alone stands in the output, also while rows go to a file."""
        table = tmp_path / "rows.csv"
        done = run(*ONE, "--json", "--csv", str(table))
        assert json.loads(done.stdout)["schema"] == "cyclerule/time/1"
        assert "1 row written" in done.stderr
        assert table.read_bytes().count(b"\r\n") == 2

    def test_a_comment_is_one_that_the_compiler_takes(self, run: Run, tmp_path: Path) -> None:
        """Pasted into the file, which is then timed with the same result."""
        comment = run(*MANY, "--comment").stdout
        assert comment.startswith("/* crc8_step_bits: 78 to 94 cycles")
        assert comment.isascii()
        source = tmp_path / "bees.c"
        source.write_text(f"{comment}int bees(int n) {{ return n + 1; }}\n", "utf-8")
        assert run("time", str(source), "bees", "n=3").exit_code == 0

    def test_rows_are_shown_as_far_as_asked(self, run: Run) -> None:
        """A number of them, or all."""
        three = run(*MANY, "crc=0", "--rows", "3").stdout
        assert "and 253 more rows" in three
        every = run(*MANY, "crc=0", "--rows", "all").stdout
        assert len(every.splitlines()) > 256

    def test_a_listing_as_json_has_what_the_screen_has(self, run: Run) -> None:
        """Least and most of each function."""
        document = json.loads(run(CRC, "--json").stdout)
        screen = run(CRC).stdout
        assert document["schema"] == "cyclerule/functions/1"
        bits = next(each for each in document["functions"] if each["name"] == "crc8_step_bits")
        assert (bits["minimum"], bits["maximum"], bits["tried"]) == (78, 94, 65536)
        assert re.search(r"crc8_step_bits +78 to 94 .* all 65,536", screen)
        for command in document["next_commands"]:
            assert command in screen

    def test_no_line_is_wider_than_the_screen(self, run: Run, monkeypatch: pytest.MonkeyPatch) -> None:
        """But for commands that are to be copied."""
        for width in ("60", "80", "120"):
            monkeypatch.setenv("COLUMNS", width)
            for words in (ONE, MANY, (CRC,)):
                lines = [line for line in run(*words).stdout.splitlines() if "cyclerule time" not in line]
                assert max(map(len, lines)) <= int(width)

    def test_a_csv_file_is_written_whole_or_not_at_all(self, run: Run, tmp_path: Path) -> None:
        """A measurement that fails leaves what was there, a folder that is missing is told."""
        table = tmp_path / "rows.csv"
        table.write_text("mine", "utf-8")
        assert isinstance(run(*ONE[:3], "crc=300", "byte=1", "--csv", str(table)).exception, CycleruleError)
        assert table.read_text("utf-8") == "mine"
        refused = run(*ONE, "--csv", str(tmp_path / "no" / "rows.csv")).exception
        assert isinstance(refused, CycleruleError)
        assert "cannot be written" in str(refused)
        assert [each.name for each in tmp_path.iterdir()] == ["rows.csv"]


class TestSettings:
    def test_settings_are_shown_with_where_they_come_from(
        self, run: Run, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
    ) -> None:
        """Option, environment, file and default."""
        (tmp_path / "cyclerule.toml").write_text('clock = "8 MHz"\nflags = ["-funsigned-char"]\n', "utf-8")
        monkeypatch.chdir(tmp_path)
        shown = {line.split()[0]: line for line in run("time", "--settings", "--optimize", "2").stdout.splitlines()[1:]}
        assert shown["part"].endswith("environment CYCLERULE_PART")
        assert shown["clock"].endswith("environment CYCLERULE_CLOCK")
        assert shown["optimize"].split()[1:] == ["2", "option"]
        assert shown["flags"].split()[1:] == ["-funsigned-char", "cyclerule.toml"]
        assert shown["defines"].endswith("default")

    def test_a_folder_with_a_settings_file_needs_no_words(
        self, run: Run, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
    ) -> None:
        """Its sources are listed, and a function of theirs is timed without naming a file."""
        monkeypatch.chdir(tmp_path)
        assert run().stdout.startswith("Usage: cyclerule FILE")
        (tmp_path / "bees.c").write_text("unsigned char bees(unsigned char n) { return n + LIMIT; }\n", "utf-8")
        (tmp_path / "cyclerule.toml").write_text('sources = ["bees.c"]\ndefines = { LIMIT = 40 }\n', "utf-8")
        assert run().stdout.startswith("bees.c: 1 function, all called with every input")
        assert "returns 42" in run("time", "bees", "n=2").stdout
        assert "returns 7" in run("time", "bees", "n=2", "--define", "LIMIT=5").stdout

    def test_options_change_what_is_built(self, run: Run) -> None:
        """The flags stand in the document, and the image is another."""
        small = json.loads(run(*ONE, "--json").stdout)["build"]
        fast = json.loads(run(*ONE, "--optimize", "0", "--flag", "-fno-inline", "--json").stdout)["build"]
        assert fast["flags"] == ["-O0", "-fno-inline"]
        assert fast["image_sha256"] != small["image_sha256"]

    def test_engines_give_the_same_rows(self, run: Run) -> None:
        """To the cycle."""
        reference, scalar = (
            json.loads(run(*MANY, "crc=0..3", "--engine", engine, "--json").stdout)
            for engine in ("reference", "scalar")
        )
        assert (reference.pop("engine"), scalar.pop("engine")) == ("reference", "scalar")
        assert reference == scalar

    def test_variables_and_calls_before_set_the_state(self, run: Run, tmp_path: Path) -> None:
        """What was set is said to be held."""
        source = tmp_path / "bees.c"
        source.write_text(
            "unsigned char mode = 3;\nvoid set_mode(unsigned char m) { mode = m; }\n"
            "unsigned char bees(unsigned char n) { return n * mode; }\n",
            "utf-8",
        )
        words = ("time", str(source), "bees", "n=2", "-q")
        assert "returns 6; with mode = 3" in run(*words).stdout
        assert "returns 8; with mode = 4" in run(*words, "--set", "mode=4").stdout
        assert "returns 18; with mode = 9" in run(*words, "--before", "set_mode(9)").stdout

    def test_a_function_without_debug_information_is_timed_by_its_prototype(self, run: Run) -> None:
        """A function of the C library; avr-libc 2.0.0."""
        words = ("time", str(HIVE / "climate.c"), "__mulsf3", "1=2.5", "2=3")
        assert "--declare" in str(run(*words).exception)
        assert "returns 7.5" in run(*words, "--declare", "float __mulsf3(float, float)", "-q").stdout


class TestEnding:
    def test_help_and_version_come_at_once(self, capsys: pytest.CaptureFixture[str]) -> None:
        """Both exit with 0; the help names every command."""
        assert main(["--help"]) == 0
        shown = capsys.readouterr().out
        assert all(f"cyclerule {command}" in shown for command in COMMANDS)
        assert max(map(len, shown.splitlines())) <= 80
        assert main(["--version"]) == 0
        assert capsys.readouterr().out == f"cyclerule {__version__}\n"
        assert main(["--version", "-v"]) == 0
        assert "avr-gcc" in capsys.readouterr().out

    @pytest.mark.parametrize("name", COMMANDS)
    def test_every_command_has_help_with_its_usage(self, run: Run, name: str) -> None:
        """As it is typed."""
        done = run(name, "--help")
        assert done.exit_code == 0
        assert f"{name} " in done.stdout.splitlines()[0]

    def test_help_loads_nothing_heavy(self) -> None:
        """Neither the command framework nor numpy, rich or LLVM; a command's own help only the framework."""
        for words, heavy in (
            (["--help"], ("click", "rich", "numpy")),
            (["time", "--help"], ("rich", "numpy", "llvmlite")),
        ):
            code = (
                "import sys; from cyclerule.cli.main import main; main(sys.argv[1:]); "
                f"sys.exit(' '.join(m for m in {heavy!r} if m in sys.modules))"
            )
            done = subprocess.run([sys.executable, "-c", code, *words], capture_output=True, check=False)
            assert done.stderr.strip() == b""

    @pytest.mark.parametrize(
        ("words", "kind", "status"),
        [
            (["time", CRC, "crc8"], "UnknownName", 2),
            (["time", CRC, "crc8_step_bits", "--part", "atmega999"], "UnknownName", 2),
            (["time", CRC, "crc8_step_bits", "--nope"], "ArgumentError", 2),
            (["time", CRC, "crc8_step_bits", "--clock", "fast"], "ArgumentError", 2),
            (["time", str(HIVE / "frame.c"), "frame_read"], "BuildError", 3),
            (["time", CRC, "crc8_step_bits", "--max-cycles", "20"], "RunawayError", 4),
            (["time", str(HIVE / "README.md"), "f"], "ArgumentError", 2),
        ],
    )
    def test_an_error_is_a_document_too(
        self,
        words: list[str],
        kind: str,
        status: int,
        capsys: pytest.CaptureFixture[str],
        monkeypatch: pytest.MonkeyPatch,
    ) -> None:
        """In the output, with the message also among the errors, and the same exit status inside and out."""
        monkeypatch.setenv("CYCLERULE_PART", "atmega328p")
        assert main([*words, "--json"]) == status
        written = capsys.readouterr()
        document = json.loads(written.out)
        assert document["schema"] == "cyclerule/error/1"
        assert (document["kind"], document["exit_status"]) == (kind, status)
        assert written.err == f"cyclerule: {document['message']}\n"

    def test_whoever_reads_no_further_ends_it_quietly(self) -> None:
        """`cyclerule … | head -1`: no message, and not the status of a check that failed."""
        command = process(*MANY, "--rows", "all", COLUMNS="80")
        assert command.stdout is not None
        assert command.stderr is not None
        assert command.stdout.readline().startswith(b"crc8_step_bits: 78 to 94 cycles")
        command.stdout.close()
        with command.stderr:
            assert command.stderr.read() == b""
        assert command.wait() == 0

    def test_an_interruption_is_one_word_and_130(
        self, capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch
    ) -> None:
        """Whatever was going on."""
        monkeypatch.setenv("CYCLERULE_PART", "atmega328p")

        def interrupted(*_given: object, **_named: object) -> None:
            raise KeyboardInterrupt

        monkeypatch.setattr("cyclerule.session.timing.time_target", interrupted)
        assert main(list(ONE)) == 130
        # What a terminal shows for ^C stands on the line before.
        assert capsys.readouterr().err == "\ncyclerule: interrupted\n"

    def test_a_fault_of_its_own_is_said_to_be_one(
        self, capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch
    ) -> None:
        """One message that says how to report it, and a status that none of the documented ones has."""
        monkeypatch.setenv("CYCLERULE_PART", "atmega328p")

        def broken(*_given: object, **_named: object) -> None:
            raise ZeroDivisionError("division by zero")

        monkeypatch.setattr("cyclerule.session.timing.time_target", broken)
        assert main(list(ONE)) == 70
        message = capsys.readouterr().err
        assert "fault of cyclerule itself" in message
        assert "Traceback" not in message

    @pytest.mark.parametrize("shell", ["bash", "zsh", "fish"])
    def test_completion_offers_commands_files_functions_and_parameters(self, shell: str) -> None:
        """As the script of each shell asks for it."""
        offered = {}
        for words in ("cyclerule ti", f"cyclerule time {CRC} crc8_step_t", f"cyclerule time {CRC} crc8_step_bits by"):
            asked = {"_CYCLERULE_COMPLETE": f"{shell}_complete", "COMP_WORDS": words}
            command = process(**asked, COMP_CWORD=words.split()[-1] if shell == "fish" else str(len(words.split()) - 1))
            offered[words.split()[-1]] = command.communicate()[0].decode("utf-8")
        assert "time" in offered["ti"]
        assert "crc8_step_table" in offered["crc8_step_t"]
        assert "byte=" in offered["by"]
