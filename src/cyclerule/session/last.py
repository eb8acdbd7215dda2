"""What a function took when it was last timed with the same inputs on the same part."""

from collections.abc import Mapping, Sequence
from pathlib import Path

from cyclerule.measure.domain_text import value_text
from cyclerule.measure.results import Call
from cyclerule.measure.statements import StatementTimes
from cyclerule.session.opening import Program
from cyclerule.session.timing import Timed
from cyclerule.store.last import Figures, LastResults, result_key


def figures_before(results: LastResults, program: Program, timed: Timed, how: Mapping[str, object]) -> Figures | None:
    """Gives the figures of the last time, and keeps those of now in their place.

    The same is: the files by their absolute paths, the function, every value of its inputs and of what was set, what
    ran before (`how` has the options for that), and the part. Compiler and flags may have been others.
    """
    key = result_key(
        {
            "files": [str(file.resolve()) for file in program.files],
            "function": timed.target.name,
            "part": timed.target.firmware.part.name,
            "inputs": {name: _domain_fact(domain) for name, domain in timed.inputs.domains.items()},
            "others": _domain_fact(timed.inputs.others),
            "set": [
                [kind, name, _domain_fact(domain)]
                for kind in ("globals", "registers", "pins")
                for name, domain in getattr(timed.setup, kind).items()
            ],
            "how": {name: str(each) for name, each in how.items()},
        }
    )
    before = results.find(key)
    results.keep(key, _figures(timed))
    return before


def statements_before(
    results: LastResults, times: StatementTimes, how: Mapping[str, object]
) -> list[tuple[str, Figures, Figures]]:
    """Gives for each column of statements its name, the figures of the last time and those of now, which are kept.

    The same is: the files, the statements, their values, what was kept and set, what ran before, and the part.
    """
    measured = times.measured
    found = []
    for column in ("constant", "variable"):
        passages = [each for row in times.rows if (each := getattr(row, column)) is not None]
        if not passages:
            continue
        key = result_key(
            {
                "files": [str(Path(file).resolve()) for file in times.files],
                "code": times.code,
                "column": column,
                "part": measured.part,
                "values": [[f"{name}={value}" for name, value in row.shown.items()] for row in times.rows],
                "variables": list(times.variables.items()),
                "kept": list(times.kept),
                "set": [f"{name}={value_text(value)}" for name, value in times.settings.items()],
                "how": {name: str(each) for name, each in how.items()},
            }
        )
        cycles = [each.cycles for each in passages]
        now = Figures(min(cycles), max(cycles), measured.compiler, tuple(measured.flags), measured.image)
        before = results.find(key)
        results.keep(key, now)
        if before is not None:
            found.append((column, before, now))
    return found


def lines_before(
    results: LastResults, files: Sequence[Path], lines: str, now: Figures, how: Mapping[str, object]
) -> Figures | None:
    """Gives the figures of some lines of the last time, and keeps those of now.

    The same is: the files, the lines by their numbers, how far the program ran (`how`), and the part.
    """
    key = result_key(
        {
            "files": [str(file.resolve()) for file in files],
            "lines": lines,
            "how": {name: str(each) for name, each in how.items()},
        }
    )
    before = results.find(key)
    results.keep(key, now)
    return before


def _figures(timed: Timed) -> Figures:
    result, measured = timed.result, timed.result.measured
    least, most = (
        (result.cycles, result.cycles) if isinstance(result, Call) else (result.minimum.cycles, result.maximum.cycles)
    )
    return Figures(least, most, measured.compiler, tuple(measured.flags), measured.image)


def _domain_fact(domain: Sequence[object]) -> object:
    if isinstance(domain, range):
        return ["range", domain.start, domain.stop, domain.step] if len(domain) > 1 else [str(domain[0])]
    return [value_text(each) for each in domain]
