"""Random programs from random states: the compiled engine leaves exactly what the reference engine leaves.

Registers, memory, flags, stack, cycles, instructions, events, requests, handlers, the log of I/O writes, what is told
as unmodelled and every fault are compared after each stretch; stretches end at random cycles, exits and entries. The
expectation is the reference engine; that in turn is held to the manual's tables in `tests/isa` and `tests/oracles`.
"""

from random import Random

import pytest

from cyclerule.engines.engine import Stop
from cyclerule.engines.llvm.scalar import Scalar
from tests.engines.differential import Pair, Prober, part, random_state
from tests.engines.streams import Writer

FUNCTIONS, LENGTH, SESSIONS, STRETCH = 20, 40, 40, 4_000
PARTS = ("atmega328p", "atmega2560", "attiny85", "at90s8515", "attiny2313")
SEEDS = 6
"""Programs a part: together more than a million executed instructions, unoptimised so that they compile quickly."""


def campaign(name: str, seed: int, level: int) -> Pair:
    """Writes a program, runs it on both engines from many states, and fails at the first difference."""
    random = Random(f"{name} {seed}")
    chosen = part(name)
    words = chosen.flash_bytes // 2
    functions = FUNCTIONS if words >= FUNCTIONS * LENGTH * 2 else words // (LENGTH * 4)
    start = random.choice((0, chosen.vector_count * 2 + 3, words - functions * LENGTH // 2))
    program = Writer(chosen, random, functions, LENGTH, start).program()
    pair = Pair.of(
        name,
        program.flash,
        lambda chip: Prober(chip, range(0x20, 0x40, 2), (1, 3), 97),
        lambda chip: Scalar(chip, level=level),
    )
    for _ in range(SESSIONS):
        session(pair, random, program.entries, program.words)
    return pair


def session(pair: Pair, random: Random, entries: tuple[int, ...], words: tuple[int, ...]) -> None:
    """Runs one random state in stretches to random ends."""
    asks = random.random() < 0.5
    pair.restore(random_state(pair.reference.chip, random, entries, enabled=asks))
    first = random.randrange(300)
    delivers, keeps_log = random.random() < 0.7, random.random() < 0.5
    for engine in pair.engines:
        chip = engine.chip
        chip.interrupts.delivers, chip.interrupts.keeps_log = delivers, keeps_log
        if asks:
            prober = chip.devices[0]
            assert isinstance(prober, Prober)
            prober.begin(chip.cycle + first)
    some = (frozenset[int](), frozenset(random.sample(words, 1)), frozenset(random.sample(words, 3)))
    is_sliced, breaks = random.random() < 0.5, random.random() < 0.5
    exits, stops = (random.choice(some), random.choice(some)) if random.random() < 0.5 else (some[0], some[0])
    base = limit = pair.reference.chip.cycle
    for _ in range(60):
        limit += random.choice((1, 7, 50, 500, STRETCH)) if is_sliced else STRETCH
        stop = pair.run(limit, exits=exits, entries=stops, stops_at_break=breaks)
        if not isinstance(stop, Stop) or stop is Stop.HALTED or limit >= base + STRETCH:
            return
        if stop is Stop.AT_BREAK:
            for engine in pair.engines:
                engine.chip.program_counter = (engine.chip.program_counter + 1) % engine.chip.flash_words
        if stop is not Stop.LIMIT:
            limit = pair.reference.chip.cycle


@pytest.mark.parametrize("name", PARTS)
@pytest.mark.parametrize("seed", range(SEEDS))
def test_a_random_program_leaves_the_same_unoptimised(name: str, seed: int) -> None:
    """Every session has executed the same, most of it in compiled code."""
    pair = campaign(name, seed, level=0)
    assert pair.executed > 500
    assert pair.native > pair.executed // 2


@pytest.mark.parametrize("name", ["atmega328p", "atmega2560"])
def test_a_random_program_leaves_the_same_optimised(name: str) -> None:
    """A sample at the level at which programs are measured."""
    assert campaign(name, 1_000, level=2).native > 5_000


@pytest.mark.slow
@pytest.mark.timeout(3_600)
@pytest.mark.parametrize("name", PARTS)
@pytest.mark.parametrize("level", [0, 2])
def test_many_random_programs_leave_the_same(name: str, level: int) -> None:
    """The same with other seeds, for as long as one likes."""
    for seed in range(2_000, 2_020):
        campaign(name, seed, level)
