"""Programs that use the C library as people do, end to end: what they print is what C says, and what QEMU prints.

C11: 7.22.3 (malloc, free, realloc), 7.13 (setjmp, longjmp), 7.21.6 (printf), 7.22.5 (qsort); avr-libc for the rest.
"""

from pathlib import Path

import pytest

import cyclerule as cr
from tests.firmware import qemu

PROGRAM = Path(__file__).parents[1] / "measure" / "programs" / "library.c"
ENGINES = pytest.mark.parametrize("engine", ["reference", "auto"])

PRINTED = "".join(
    [
        *(f"hive {n}: {10007 * n * n} g\n" for n in range(6, 0, -1)),
        f"propolis and wax, {len('propolis and wax')}\n",
        "1 0\n",
        "refused 0 with 100\n",
        "refused 4 with 104\n",
        "refused 8 with 108\n",
        "again with 0\n",
        " ".join(map(str, sorted([300, -7, 12, 0, 32000, -16000, 5]))) + " \n",
        f"{42:05}|{-42:<7}|{42:+}|{0xBEE:x}|{8:o}|0X{0xC0FFEE:X}\n",
        f"{-123456} 77 {0xFFFF}\n",
        f"hive/!/fra {str(-1234567)[::-1]}\n",
        "END\n",
    ]
)


@pytest.fixture(scope="module")
def firmware() -> cr.Firmware:
    """The program on an ATmega328P, whose 2 KB of RAM hold one block of 1500 bytes and not two."""
    return cr.build([PROGRAM], part="atmega328p", clock="16 MHz")


@ENGINES
def test_a_program_prints_what_c_says(firmware: cr.Firmware, engine: str) -> None:
    """Heap, jumps and numbers, up to the end of the program."""
    run = firmware.run(until="exit", max_cycles=5_000_000, engine=engine)
    assert run.stopped == "until"
    # The last two characters are still on their way when the program ends.
    assert PRINTED.startswith(run.serial.decode("ascii"))
    whole = firmware.run(until="serial:END\n", max_cycles=5_000_000, engine=engine)
    assert whole.serial.decode("ascii") == PRINTED
    assert whole.warnings == []


def test_it_prints_the_same_in_qemu(firmware: cr.Firmware, tmp_path: Path) -> None:
    """The same image on QEMU's own machine with this part."""
    image = tmp_path / "image.bin"
    image.write_bytes(firmware.image.flash)
    assert qemu.serial_until(image, "atmega328p", b"END\n").decode("ascii") == PRINTED


def test_jumps_out_of_functions_end_no_call_that_is_followed(firmware: cr.Firmware) -> None:
    """`weigh` is entered 0 to 8 levels deep and left by longjmp each time: none of its calls comes back."""
    run = firmware.run(until="serial:again", max_cycles=5_000_000, calls=["weigh"])
    assert run.calls[next(iter(run.calls))].count == 0
    heap = firmware.run(until="serial:refused", max_cycles=5_000_000, calls=["malloc", "free"]).calls
    # `realloc` finds room behind its block, at the end of the heap.
    assert (heap["malloc"].count, heap["free"].count) == (6 + 1 + 2, 6 + 1)
