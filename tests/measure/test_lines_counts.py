"""Passes are as many as the program's text says: programs of random loops, whose turns are counted on paper."""

import random
from dataclasses import dataclass, field
from pathlib import Path

import pytest

import cyclerule as cr

HEAD = ["#include <avr/io.h>", "#include <stdint.h>", "volatile uint8_t port, three = 3;", "int main(void)", "{"]
SEEDS = range(12)


@dataclass
class Written:
    """A program as it is written, and how often each stretch of its lines runs; no two statements are alike."""

    chance: random.Random
    lines: list[str] = field(default_factory=lambda: list(HEAD))
    stretches: list[tuple[int, int, int]] = field(default_factory=list)
    names: int = 0

    def block(self, depth: int, times: int) -> None:
        """Writes a few statements, loops among them, that run so many times."""
        spans = [self.statement(depth, times) for _ in range(self.chance.randint(1, 3))]
        self.stretches += [(*span, times) for span in spans]
        if len(spans) > 1:
            begin = self.chance.randint(0, len(spans) - 2)
            end = self.chance.randint(begin + 1, len(spans) - 1)
            self.stretches.append((spans[begin][0], spans[end][1], times))

    def statement(self, depth: int, times: int) -> tuple[int, int]:
        """Writes one statement and gives its first and last line."""
        self.names += 1
        name, margin, turns = f"n{self.names}", "    " * depth, self.chance.randint(1, 3)
        count = f"uint8_t {name} = three - {3 - turns};"
        kind = self.chance.choice(["simple", "simple", "for", "do", "endless"] if depth < 4 else ["simple"])
        first = len(self.lines) + 1
        match kind:
            case "simple":
                self.lines.append(f"{margin}port = {self.names};")
            case "for":
                self.lines.append(f"{margin}for ({count} {name}; {name}--) {{")
                self.block(depth + 1, times * turns)
                self.lines.append(f"{margin}}}")
            case _:
                # Where a variable begins is not part of the loop.
                self.lines.append(f"{margin}{count}")
                first += 1
                self.lines.append(f"{margin}do {{" if kind == "do" else f"{margin}for (;;) {{")
                self.block(depth + 1, times * turns)
                if kind == "endless":
                    self.lines.append(f"{margin}    if (--{name} == 0) break;")
                self.lines.append(f"{margin}}} while (--{name});" if kind == "do" else f"{margin}}}")
        return first, len(self.lines)


@pytest.mark.parametrize("optimize", ["s", "2"])
@pytest.mark.parametrize("seed", SEEDS)
def test_passes_are_as_many_as_the_loops_around_have_turns(seed: int, optimize: str, tmp_path: Path) -> None:
    """A single statement, a whole loop, and several statements of a block behind each other."""
    written = Written(random.Random(seed))
    written.block(1, 1)
    end = len(written.lines) + 1
    text = [*written.lines, "    PORTC = 1;", "    for (;;)", "        ;", "}"]
    source = tmp_path / "loops.c"
    source.write_text("\n".join(text) + "\n", "utf-8")
    firmware = cr.build([source], part="atmega328p", optimize=optimize)
    for first, last, times in written.stretches:
        run = firmware.time_lines(f"loops.c:{first}-{last}", until=f"line:loops.c:{end}", engine="reference")
        assert (run.stopped, run.count, run.places[0].unfinished) == ("until", times, 0), (first, last, text)
