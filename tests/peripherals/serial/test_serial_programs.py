"""Programs that use the serial interfaces, on both engines; what they print, against QEMU."""

from pathlib import Path

import pytest

from cyclerule.engines.engine import Stop
from cyclerule.machine.bus import IoWrite
from cyclerule.measure.stage import Stage
from cyclerule.peripherals.serial.twi_devices import ScriptedDevice
from cyclerule.session.firmware import Firmware, build
from cyclerule.units import Hertz
from tests.firmware import qemu

PROGRAMS = Path(__file__).parent / "programs"
BOTH = pytest.mark.parametrize("engine", ["reference", "scalar"])
FRAME = 16_640
"""CPU cycles of ten bits at 9600 baud and 16 MHz: DS40002061A sec. 20.3."""


def program(name: str, part: str = "atmega328p") -> Firmware:
    """Builds one of the programs for 16 MHz."""
    return build([PROGRAMS / name], part=part, clock="16 MHz")


def at_reset(firmware: Firmware, engine: str) -> Stage:
    """Gives a chip with the firmware, ready to run on an engine."""
    stage = Stage.at_reset(firmware.image, firmware.part, clock=Hertz(16_000_000))
    stage.chip.interrupts.keeps_log = False
    stage.begin(engine)
    return stage


def sent(stage: Stage) -> bytes:
    """Gives what the first serial port has sent."""
    assert stage.devices.serial is not None
    return bytes(each.value for each in stage.devices.serial.sent)


def echoed(engine: str, text: bytes, gap: int) -> tuple[Stage, bytes]:
    """Runs the echo with bytes that come one after another, `gap` cycles between two start bits."""
    stage = at_reset(program("echo.c"), engine)
    serial = stage.devices.serial
    assert serial is not None
    for number, value in enumerate(text):
        serial.receiver.feed(value, 5000 + gap * number)
    assert stage.run(5000 + gap * len(text) + 40 * FRAME) is Stop.LIMIT
    return stage, sent(stage)


@BOTH
@pytest.mark.parametrize("gap", [FRAME, FRAME + 1, 3 * FRAME])
def test_a_receive_interrupt_fills_a_ring_that_is_sent_back(engine: str, gap: int) -> None:
    """Bytes without a gap at the same rate fit; each is sent a frame and a half after it began at the least."""
    stage, text = echoed(engine, b"Varroa Mite Count", gap)
    assert text == b"vARROA\0mITE\0cOUNT"
    serial = stage.devices.serial
    assert serial is not None
    # The byte is there after nine and a half bits; the handler, the loop and the next bit edge follow.
    assert 5000 + 9 * 1664 + FRAME < serial.sent[0].cycle < 5000 + 9.6 * 1664 + FRAME + 2 * 1664
    assert stage.chip.data[0x3E] == 0
    assert stage.warnings() == []


def test_both_engines_receive_to_the_cycle() -> None:
    """The same state of chip and devices after the same cycles, bytes coming at awkward times."""
    states = []
    for engine in ("reference", "scalar"):
        stage, _ = echoed(engine, bytes(range(64, 104)), FRAME + 7)
        chip, serial = stage.chip, stage.devices.serial
        assert serial is not None
        states.append((chip.cycle, chip.program_counter, bytes(chip.data), list(serial.sent), stage.instructions))
    assert states[0] == states[1]


@BOTH
def test_bytes_that_nobody_reads_overrun(engine: str) -> None:
    """DS40002061A sec. 20.7.4: two in the buffer, the last in the shift register, DOR with it."""
    firmware = program("late.c")
    stage = at_reset(firmware, engine)
    serial = stage.devices.serial
    assert serial is not None
    serial.receiver.feed_bytes(b"abcdef", 5000)
    log: list[IoWrite] = []
    stage.chip.bus.log = log
    stage.run(5_000_000)
    values = [write.value for write in log if write.register == "GPIOR0"]
    assert values == [0xA0, ord("a"), 0xA0, ord("b"), 0xA8, ord("f")]


@BOTH
def test_drivers_of_both_buses_read_what_the_devices_give(engine: str) -> None:
    """TWI status codes of DS40002061A tables 22-2 and 22-3 as the program sees them, and SPI answers in turn."""
    stage = at_reset(program("sensor.c"), engine)
    devices = stage.devices.serial_devices
    assert devices.twi is not None
    assert devices.spi is not None
    sensor = devices.twi.devices[0x44] = ScriptedDevice([0x66, 0x19, 0x92])
    devices.spi.answers.extend(b"\x12\x34\x56")
    stage.run(1_000_000)
    codes = bytes([0x08, 0x18, 0x28, 0x10, 0x40])
    assert sent(stage) == codes + b"\x50\x66\x50\x19\x58\x92" + b"\x12\x34\x56."
    assert sensor.written == [0x2C]
    assert stage.warnings() == []


def test_both_engines_take_the_same_time_on_the_buses() -> None:
    """Every byte leaves at the same cycle, so every wait for a flag has the same length."""
    courses = []
    for engine in ("reference", "scalar"):
        stage = at_reset(program("sensor.c"), engine)
        devices = stage.devices.serial_devices
        assert devices.twi is not None
        assert devices.spi is not None
        assert devices.first is not None
        devices.twi.devices[0x44] = ScriptedDevice([1, 2, 3])
        devices.spi.device = lambda value: value ^ 0xFF
        stage.run(1_000_000)
        courses.append((list(devices.first.sent), list(devices.spi.exchanged), stage.instructions))
    assert courses[0] == courses[1]
    exchanged = courses[0][1]
    assert [(each.sent, each.received) for each in exchanged] == [(0, 0xFF), (1, 0xFE), (2, 0xFD)]


@pytest.mark.parametrize(("part", "engine"), [("atmega328p", "scalar"), ("atmega2560", "reference")])
def test_the_librarys_printf_prints_the_same_in_qemu(part: str, engine: str, tmp_path: Path) -> None:
    """A stdio stream of avr-libc on the serial port; QEMU (qemu-system-avr), the machine with the part."""
    firmware = program("printed.c", part)
    run = firmware.run(until="serial:END\r\n", max_cycles=5_000_000, engine=engine)
    assert run.stopped == "until"
    assert run.serial_ports[0] == run.serial
    assert run.warnings == []
    assert b"3:  32767 g 0x7fff |brood |\r\n4: -32768 g 0x8000 |honey |" in run.serial
    image = tmp_path / "image.bin"
    image.write_bytes(firmware.image.flash)
    assert qemu.serial_until(image, part, b"END\r\n") == run.serial
