"""The demo's CRC-8 on the model, against the catalogue of parametrised CRC algorithms and the definition of a CRC."""

from pathlib import Path

import numpy as np
import pytest

import cyclerule as cr

CRC_C = Path(__file__).parents[2] / "examples" / "hive" / "crc.c"
STEPS = ("crc8_step_bits", "crc8_step_nibbles", "crc8_step_table", "crc8_step_ram_table")
CHECK_STRING = b"123456789"


@pytest.fixture(scope="module")
def firmware() -> cr.Firmware:
    """The demo's file as its user builds it."""
    return cr.build([CRC_C], part="atmega328p", clock="16 MHz")


def remainder(dividend: int) -> int:
    """The remainder of a polynomial over GF(2) after division by x^8 + x^5 + x^4 + 1, the highest power first."""
    while dividend.bit_length() > 8:
        dividend ^= 0x131 << dividend.bit_length() - 9
    return dividend


def reflected(byte: int) -> int:
    """The byte with its bits in the other order."""
    return int(f"{byte:08b}"[::-1], 2)


@pytest.mark.parametrize("step", STEPS)
def test_each_way_gives_the_catalogues_check_value(firmware: cr.Firmware, step: str) -> None:
    """Catalogue of parametrised CRC algorithms, CRC-8/MAXIM-DOW: init 0x00, check 0xA1, of the characters 123456789."""
    crc: object = 0
    for byte in CHECK_STRING:
        crc = firmware.call(step, crc, byte, engine="reference").returned
    assert crc == 0xA1


def test_a_whole_frame_gives_the_check_value_and_with_it_the_residue(firmware: cr.Firmware) -> None:
    """The same entry: check 0xA1; residue 0x00, the CRC of a message that ends with its own."""
    check = firmware.call("crc8_frame", CHECK_STRING, len(CHECK_STRING), engine="reference")
    assert check.returned == 0xA1
    whole = CHECK_STRING + bytes([0xA1])
    assert firmware.call("crc8_frame", whole, len(whole), engine="reference").returned == 0x00


@pytest.mark.parametrize("step", STEPS)
def test_each_way_is_the_remainder_of_the_division_for_all_inputs(firmware: cr.Firmware, step: str) -> None:
    """The definition: bits lowest first, times x^8, modulo the polynomial; all 65,536 pairs, on the quickest engine."""
    sweep = firmware.sweep(step, crc=cr.every("uint8_t"), byte=cr.every("uint8_t"))
    expected = [reflected(remainder(reflected(value) << 8)) for value in range(256)]
    crc, byte = np.divmod(np.arange(65536), 256)
    assert sweep.returned is not None
    assert np.array_equal(sweep.returned, np.array(expected)[crc ^ byte])


def test_the_reference_engine_agrees_on_every_column(firmware: cr.Firmware) -> None:
    """The same definition, every byte from a few checksums, run without compiled code."""
    for step in STEPS:
        sweep = firmware.sweep(step, crc=[0x00, 0x5A, 0xFF], byte=cr.every("uint8_t"), engine="reference")
        assert sweep.returned is not None
        expected = [
            reflected(remainder(reflected(crc ^ byte) << 8)) for crc in (0x00, 0x5A, 0xFF) for byte in range(256)
        ]
        assert sweep.returned.tolist() == expected
