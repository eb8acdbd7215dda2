"""A busy serial transmitter in compiled code against the reference engine: the same state after every stretch."""

from pathlib import Path
from random import Random

import pytest

from cyclerule.engines.engine import Stop
from cyclerule.engines.llvm.scalar import Scalar
from cyclerule.engines.reference import Reference
from cyclerule.measure.stage import Stage
from cyclerule.session.firmware import Firmware, build

BUSY = """
#include <avr/interrupt.h>
#include <avr/io.h>
#include <stdint.h>
#ifndef USART_UDRE_vect
#define USART_UDRE_vect USART0_UDRE_vect
#define USART_TX_vect USART0_TX_vect
#endif
volatile uint16_t ticks;
static uint8_t frame[64];
static volatile uint8_t place, rests;

ISR(TIMER1_COMPA_vect) { ticks++; sei(); ticks ^= 5; }

ISR(USART_UDRE_vect)
{
    UDR0 = frame[place & 63];
    if ((++place & 7) == 0)
        UCSR0B = (UCSR0B & ~(1 << UDRIE0)) ^ NINTH;
}

ISR(USART_TX_vect)
{
    if (++rests & 1)
        UCSR0B |= 1 << UDRIE0;
    else
        UDR0 = rests;
}

int main(void)
{
    uint8_t crc = 0;
    UBRR0 = RATE;
    UCSR0A = DOUBLE << U2X0;
    UCSR0B = 1 << TXEN0 | 1 << UDRIE0 | 1 << TXCIE0 | NINTH << 2;
#ifdef UDR1
    UBRR1 = RATE + 1;
    UCSR1B = 1 << TXEN1;
#endif
    OCR1A = 1009;
    TCCR1B = 1 << WGM12 | 1;
    TIMSK1 = 1 << OCIE1A;
    sei();
    for (;;) {
        for (uint8_t i = 0; i < 40; i++)
            crc = (crc >> 1) ^ (crc & 1 ? 0x8C : frame[i]);
        cli();
        frame[crc & 63] = crc + ticks;
        sei();
#ifdef UDR1
        if (UCSR1A & 1 << UDRE1)
            UDR1 = crc;
#endif
        if (crc == 7) {
            UDR0 = crc;
            while (!(UCSR0A & 1 << UDRE0))
                ;
        }
    }
}
"""


def busy(folder: Path, part: str = "atmega328p", **defines: int) -> Firmware:
    """Builds the program."""
    source = folder / "busy.c"
    source.write_text(BUSY, "utf-8")
    values = {"RATE": 8, "DOUBLE": 0, "NINTH": 0, **defines}
    return build([source], part=part, clock="16 MHz", defines={name: str(value) for name, value in values.items()})


def state(stage: Stage, engine: Reference | Scalar) -> tuple[object, ...]:
    """Gives all of a chip that a program or a user can see, and what its ports have sent."""
    chip = stage.chip
    return (
        chip.cycle,
        chip.program_counter,
        chip.stack_pointer,
        chip.lowest_stack_pointer,
        bytes(chip.flags),
        bytes(chip.data),
        [port.alarm.due for port in stage.devices.serial_devices.ports.values()],
        chip.interrupts.requests,
        list(chip.interrupts.open),
        dict(chip.interrupts.stats),
        engine.instructions,
        [list(port.sent) for port in stage.devices.serial_devices.ports.values()],
        [port.transmitter.save() for port in stage.devices.serial_devices.ports.values()],
    )


@pytest.mark.parametrize(
    ("part", "rate", "double", "ninth"),
    [
        ("atmega328p", 0, 1, 0),
        ("atmega328p", 0, 0, 1),
        ("atmega328p", 8, 0, 0),
        ("atmega328p", 103, 0, 1),
        ("atmega2560", 3, 0, 0),
        ("atmega2560", 8, 1, 1),
    ],
)
def test_bytes_flags_and_interrupts_come_at_the_same_cycles(
    tmp_path: Path, part: str, rate: int, double: int, ninth: int
) -> None:
    """Both interrupts of the transmitter, a timer's, a polled port, stopped at random; a comparison of our own."""
    firmware = busy(tmp_path, part, RATE=rate, DOUBLE=double, NINTH=ninth)
    stages = [Stage.at_reset(firmware.image, firmware.part) for _ in range(2)]
    engines: list[Reference | Scalar] = [Reference(stages[0].chip), Scalar(stages[1].chip, level=1)]
    random, limit = Random(rate), 0
    for stage in stages:
        stage.chip.interrupts.keeps_log = False
    for _ in range(100):
        limit += random.randrange(1, 5_000)
        stops = [engine.run(limit) for engine in engines]
        assert stops[0] is stops[1]
        assert state(stages[0], engines[0]) == state(stages[1], engines[1])
    assert all(
        port.sent for port in list(stages[1].devices.serial_devices.ports.values())[: 1 + (part != "atmega328p")]
    )


def test_a_kept_state_goes_on_the_same(tmp_path: Path) -> None:
    """`Chip.save` and `Chip.restore` around native bytes on their way and in the buffer."""
    firmware = busy(tmp_path, RATE=3)
    stage = Stage.at_reset(firmware.image, firmware.part)
    stage.chip.interrupts.keeps_log = False
    engine = Scalar(stage.chip, level=1)
    engine.run(50_003)
    kept = stage.chip.save()
    # Statistics of handlers are no part of a kept state.
    stage.chip.restore(kept)
    engine.instructions = 0
    ends = []
    for _ in range(2):
        engine.run(150_000)
        ends.append(state(stage, engine))
        stage.chip.restore(kept)
        engine.instructions = 0
    assert ends[0] == ends[1]


def test_more_bytes_than_the_list_holds_are_all_there(tmp_path: Path) -> None:
    """Python takes the list over before it is full; bytes follow at the frame's distance."""
    firmware = busy(tmp_path, RATE=0, DOUBLE=1)
    stage = Stage.at_reset(firmware.image, firmware.part)
    stage.chip.interrupts.keeps_log = False
    engine = Scalar(stage.chip, level=1)
    assert engine.run(3_000_000) is Stop.LIMIT
    serial = stage.devices.serial
    assert serial is not None
    assert len(serial.sent) > 10_000
    assert {(b.cycle - a.cycle) % 8 for a, b in zip(serial.sent, serial.sent[1:], strict=False)} == {0}


@pytest.mark.parametrize("watcher", ["listener", "pin", "log"])
def test_whoever_follows_each_byte_gets_it_when_it_comes(tmp_path: Path, watcher: str) -> None:
    """A listener, somebody at the TXD pin and a log of writes see the same on both engines."""
    firmware = busy(tmp_path)
    seen: list[list[object]] = []
    for kind in (Reference, Scalar):
        stage = Stage.at_reset(firmware.image, firmware.part)
        chip, events = stage.chip, list[object]()
        chip.interrupts.keeps_log = False
        serial, pin = stage.devices.serial, stage.devices.ports.pin("PD1")
        assert serial is not None
        assert pin is not None
        log: list[object] = []
        if watcher == "listener":
            serial.on_sent = events.append
        elif watcher == "pin":
            pin.listen(lambda level, cycle, events=events: events.append((level, cycle)))  # type: ignore[misc]
        else:
            chip.bus.log = log  # type: ignore[assignment]
        engine = Reference(chip) if kind is Reference else Scalar(chip, level=1)
        for limit in (10_007, 30_011, 100_003):
            engine.run(limit)
        seen.append([*events, *log, *serial.sent, chip.cycle, engine.instructions])
    assert seen[0] == seen[1]
    assert len(seen[0]) > 100


def test_text_is_told_byte_by_byte_though_late(tmp_path: Path) -> None:
    """Who only shows the text gets all bytes in turn, and compiled code goes on by itself."""
    firmware = busy(tmp_path)
    stage = Stage.at_reset(firmware.image, firmware.part)
    stage.chip.interrupts.keeps_log = False
    serial, told = stage.devices.serial, list[object]()
    assert serial is not None
    serial.on_text = told.append
    engine = Scalar(stage.chip, level=1)
    for limit in (100_003, 500_009, 900_001):
        engine.run(limit)
        assert told == serial.sent
    assert serial.promise() is not None
    assert len(told) > 500
