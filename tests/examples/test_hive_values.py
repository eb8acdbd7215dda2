"""The portable parts of examples/hive, compiled by the host's own compiler, give the values they promise."""

import ctypes
import itertools
import random
import shutil
import statistics
import subprocess
from pathlib import Path

import pytest

HIVE = Path(__file__).parents[2] / "examples" / "hive"
PORTABLE = ("crc.c", "climate.c", "median.c", "frame.c")
CRC_STEPS = ("crc8_step_bits", "crc8_step_nibbles", "crc8_step_table", "crc8_step_ram_table")


class Reading(ctypes.Structure):
    """The host's own layout of `struct reading` in frame.h."""

    _fields_ = (
        ("hive", ctypes.c_uint8),
        ("temperature_centi", ctypes.c_int16),
        ("humidity_permille", ctypes.c_uint16),
        ("weight_grams", ctypes.c_int32),
        ("bees", ctypes.c_uint8),
    )


@pytest.fixture(scope="module")
def hive(tmp_path_factory: pytest.TempPathFactory) -> ctypes.CDLL:
    """The portable files as a library of the host."""
    compiler = shutil.which("cc") or shutil.which("gcc") or shutil.which("clang")
    if compiler is None:
        pytest.skip("there is no C compiler for the host (cc, gcc or clang)")
    library = tmp_path_factory.mktemp("hive") / "hive.so"
    sources = [str(HIVE / name) for name in PORTABLE]
    command = [compiler, "-std=c99", "-Wall", "-Wextra", "-Werror", "-shared", "-fPIC", "-O1", "-o", str(library)]
    subprocess.run([*command, *sources], check=True)
    loaded = ctypes.CDLL(str(library))
    for step in CRC_STEPS:
        _declare(loaded, step, ctypes.c_uint8, ctypes.c_uint8, ctypes.c_uint8)
    _declare(loaded, "crc8_frame", ctypes.c_uint8, ctypes.c_char_p, ctypes.c_uint8)
    for kind in ("fixed", "float"):
        _declare(loaded, f"temperature_centi_{kind}", ctypes.c_int16, ctypes.c_uint16)
        _declare(loaded, f"humidity_permille_{kind}", ctypes.c_uint16, ctypes.c_uint16)
    _declare(loaded, "median3", ctypes.c_uint8, ctypes.c_uint8, ctypes.c_uint8, ctypes.c_uint8)
    _declare(loaded, "median5", ctypes.c_uint8, ctypes.c_char_p)
    _declare(loaded, "weight_grams", ctypes.c_int32, ctypes.c_int32)
    _declare(loaded, "frame_read", ctypes.c_bool, ctypes.c_char_p, ctypes.POINTER(Reading))
    return loaded


def _declare(library: ctypes.CDLL, name: str, result: type, *parameters: type) -> None:
    function = getattr(library, name)
    function.restype = result
    function.argtypes = parameters


def _remainder(crc: int, byte: int) -> int:
    """The definition, by polynomial division: the bits, lowest first, times x^8, modulo x^8 + x^5 + x^4 + 1."""
    dividend = int(f"{crc ^ byte:08b}"[::-1], 2) << 8
    for bit in range(15, 7, -1):
        if dividend >> bit & 1:
            dividend ^= 0x131 << bit - 8
    return int(f"{dividend:08b}"[::-1], 2)


def _crc(message: bytes) -> int:
    crc = 0
    for byte in message:
        crc = _remainder(crc, byte)
    return crc


def test_crc_of_the_check_string_is_the_catalogues_check_value(hive: ctypes.CDLL) -> None:
    """Catalogue of parametrised CRC algorithms, CRC-8/MAXIM-DOW: check 0xA1 for the characters 123456789."""
    assert hive.crc8_frame(b"123456789", 9) == 0xA1


@pytest.mark.parametrize("step", CRC_STEPS)
def test_every_crc_step_is_the_remainder_of_the_division_for_all_inputs(hive: ctypes.CDLL, step: str) -> None:
    """All 65,536 pairs of checksum and byte, against the division that defines a CRC."""
    function = getattr(hive, step)
    expected = [_remainder(0, byte) for byte in range(256)]
    wrong = [
        (crc, byte)
        for crc, byte in itertools.product(range(256), repeat=2)
        if function(crc, byte) != expected[crc ^ byte]
    ]
    assert wrong == []


def test_conversions_are_the_formula_rounded_and_fixed_differs_from_float_by_one_at_most(hive: ctypes.CDLL) -> None:
    """The formula of climate.h in whole-number arithmetic, for all 65,536 readings; no more is promised than 1."""
    for raw in range(65536):
        # Twice the exact value, so that the distance from it is a whole number of halves of 1/65535.
        temperature = 2 * (16800 * raw - 4200 * 65535)
        humidity = 2 * 1000 * raw
        assert abs(2 * 65535 * hive.temperature_centi_float(raw) - temperature) <= 65535 * 1.01, raw
        assert abs(2 * 65535 * hive.humidity_permille_float(raw) - humidity) <= 65535 * 1.01, raw
        assert abs(hive.temperature_centi_fixed(raw) - hive.temperature_centi_float(raw)) <= 1, raw
        assert abs(hive.humidity_permille_fixed(raw) - hive.humidity_permille_float(raw)) <= 1, raw


def test_conversions_reach_both_ends_of_their_range(hive: ctypes.CDLL) -> None:
    """climate.h: -42 °C and 0 % at a reading of 0, 126 °C and 100 % at 65535."""
    for kind in ("fixed", "float"):
        temperature = getattr(hive, f"temperature_centi_{kind}")
        humidity = getattr(hive, f"humidity_permille_{kind}")
        assert (temperature(0), temperature(65535)) == (-4200, 12600)
        assert (humidity(0), humidity(65535)) == (0, 1000)


def test_median_of_three_is_the_middle_one_of_the_sorted(hive: ctypes.CDLL) -> None:
    """Every order of small, equal and extreme counts, against the host's sort."""
    for samples in itertools.product((0, 1, 2, 127, 128, 254, 255), repeat=3):
        assert hive.median3(*samples) == statistics.median(samples), samples


def test_median_of_five_is_the_middle_one_of_the_sorted(hive: ctypes.CDLL) -> None:
    """Five values in every order and with every repetition: enough, since a median only compares."""
    for samples in itertools.product((0, 1, 127, 128, 255), repeat=5):
        assert hive.median5(bytes(samples)) == statistics.median(samples), samples


def test_a_frame_with_any_single_wrong_bit_is_refused(hive: ctypes.CDLL) -> None:
    """A CRC finds every single wrong bit: x^n is no multiple of a polynomial with more than one term."""
    reading = Reading()
    payload = bytes([2, 0x75, 0x6F, 0x9E, 0x76, 0x0D, 0x79, 0x5D, 23, 140, 25])
    frame = payload + bytes([_crc(payload)])
    assert hive.frame_read(frame, reading)
    for bit in range(8 * len(frame)):
        spoilt = (int.from_bytes(frame, "big") ^ 1 << bit).to_bytes(len(frame), "big")
        assert not hive.frame_read(spoilt, reading), bit


def test_frame_fields_come_out_as_they_were_put_in(hive: ctypes.CDLL) -> None:
    """Frames made from random values, both signs of the weight; grams are cut towards zero as C99 sec. 6.5.5 has it."""
    choose = random.Random(20)
    reading = Reading()
    for _ in range(2000):
        temperature, humidity = choose.randrange(65536), choose.randrange(65536)
        counts = choose.randrange(-(2**23), 2**23)
        bees = bytes(choose.randrange(256) for _ in range(3))
        payload = (
            bytes([choose.randrange(256)])
            + temperature.to_bytes(2, "big")
            + humidity.to_bytes(2, "big")
            + counts.to_bytes(3, "big", signed=True)
            + bees
        )
        assert hive.frame_read(payload + bytes([_crc(payload)]), reading)
        assert reading.hive == payload[0]
        assert reading.temperature_centi == round(16800 * temperature / 65536 - 4200 + 1e-9)
        assert reading.humidity_permille == round(1000 * humidity / 65536 + 1e-9)
        assert reading.weight_grams == int((counts - 84210) / 21)
        assert reading.bees == statistics.median(bees)


@pytest.mark.parametrize("level", ["0", "1", "2", "3", "s"])
def test_hive_builds_without_a_warning_and_prints_the_recorded_frames_on_qemu(level: str, tmp_path: Path) -> None:
    """The whole program by the real compiler with -Wall -Wextra -Werror, twice over its frames.

    expected_serial.txt was computed from the frames' values by the formulas of the headers, in Python. QEMU is an
    oracle for values only; its machine is chosen by the help line that names the part.
    """
    compiler, emulator = shutil.which("avr-gcc"), shutil.which("qemu-system-avr")
    if compiler is None or emulator is None:
        pytest.skip("needs avr-gcc and qemu-system-avr on PATH")
    firmware = tmp_path / "hive.elf"
    sources = [str(path) for path in sorted(HIVE.glob("*.c"))]
    options = ["-mmcu=atmega328p", f"-O{level}", "-Wall", "-Wextra", "-Werror"]
    subprocess.run([compiler, *options, "-o", str(firmware), *sources], check=True)

    machines = subprocess.run([emulator, "-machine", "help"], check=True, capture_output=True, encoding="utf-8").stdout
    machine = next(line.split(maxsplit=1)[0] for line in machines.splitlines() if "(ATmega328P)" in line)
    expected = (HIVE / "expected_serial.txt").read_text(encoding="utf-8") * 2
    command = [emulator, "-machine", machine, "-display", "none", "-serial", "stdio", "-bios", str(firmware)]
    with subprocess.Popen(command, stdin=subprocess.DEVNULL, stdout=subprocess.PIPE, encoding="utf-8") as running:
        assert running.stdout is not None
        try:
            printed = running.stdout.read(len(expected))
        finally:
            running.kill()
    assert printed == expected
