"""Files of signals: what they say, and where each mistake is said to be."""

from fractions import Fraction
from pathlib import Path

import pytest

from cyclerule.errors import ArgumentError
from cyclerule.project.signals import Moment, Signal, as_signals, read_signals, signals_text
from cyclerule.units import Hertz


def read(folder: Path, text: str) -> list[tuple[Moment, str, object]]:
    """Reads a file with this text."""
    file = folder / "bees.csv"
    file.write_text(text, encoding="utf-8")
    return [(each.when, each.what, each.value) for each in read_signals(file)]


def mistake(folder: Path, text: str) -> str:
    """Gives what is said of a file with this text, from the file's name on."""
    file = folder / "bees.csv"
    file.write_text(text, encoding="utf-8")
    with pytest.raises(ArgumentError) as caught:
        read_signals(file)
    assert str(caught.value).startswith(str(folder))
    return str(caught.value)[len(str(folder)) + 1 :]


def test_a_line_is_when_what_and_value(tmp_path: Path) -> None:
    """Cycles and times, pins, channels and serial ports; remarks, empty lines and a heading are none."""
    text = """\
# a bee passes the entrance
when, what, value

0, PB0, 1
1_200, pb0, 0     # it is gone
1.5ms, PD2, z
20 us, ADC3, 2.5V
300ns,ADC11,300mV
2s, AIN0, 1V
8, adc7, 512
9, AREF, 3.3V
5, serial0, "hello, hive\\n"
6, serial, hex:02 1cb8
7, SERIAL1, text:a\\x41\\xff
"""
    assert read(tmp_path, text) == [
        (Moment(0), "PB0", True),
        (Moment(1200), "PB0", False),
        (Moment(0, Fraction(3, 2000)), "PD2", None),
        (Moment(0, Fraction(20, 1_000_000)), "ADC3", Fraction(5, 2)),
        (Moment(0, Fraction(300, 1_000_000_000)), "ADC11", Fraction(3, 10)),
        (Moment(0, Fraction(2)), "AIN0", Fraction(1)),
        (Moment(8), "ADC7", 512),
        (Moment(9), "AREF", Fraction(33, 10)),
        (Moment(5), "serial0", b"hello, hive\n"),
        (Moment(6), "serial", b"\x02\x1c\xb8"),
        (Moment(7), "serial1", b"aA\xff"),
    ]


def test_a_time_with_plus_counts_from_the_signal_before(tmp_path: Path) -> None:
    """Cycles and seconds add up apart, so that nothing is lost."""
    moments = [when for when, _, _ in read(tmp_path, "+10, PB0, 1\n+1ms, PB0, 0\n+5,PB0,1\n3,PB0,0\n")]
    assert moments == [Moment(10), Moment(10, Fraction(1, 1000)), Moment(15, Fraction(1, 1000)), Moment(3)]


def test_a_time_is_the_nearest_cycle() -> None:
    """1.5 ms at 16 MHz is 24,000 cycles; 100 ns are 1.6 of them; a half is rounded up."""
    clock = Hertz(16_000_000)
    assert Moment(7, Fraction(3, 2000)).in_cycles(clock) == 24_007
    assert Moment(0, Fraction(1, 10_000_000)).in_cycles(clock) == 2
    assert Moment(0, Fraction(1, 32_000_000)).in_cycles(clock) == 1


def test_a_port_may_have_a_speed(tmp_path: Path) -> None:
    """The fourth cell is bits a second."""
    file = tmp_path / "bees.csv"
    file.write_text('when,what,value,baud\n0, serial0, "a", 9_600\n1, serial0, "b"\n', encoding="utf-8")
    assert [each.baud for each in read_signals(file)] == [9600, None]


@pytest.mark.parametrize(
    ("text", "said"),
    [
        ("0, PB0, 1\n12, PB9, 1\n", "bees.csv:2:5: 'PB9' is no pin"),
        ("0, PB0, 2\n", "bees.csv:1:9: '2' is no level for PB0"),
        ("0, PB0, high\n", "bees.csv:1:9: 'high' is no level for PB0"),
        ("# one\n\n  soon, PB0, 1\n", "bees.csv:3:3: 'soon' is no time"),
        ("-5, PB0, 1\n", "bees.csv:1:1: '-5' is no time"),
        ("1.5, PB0, 1\n", "bees.csv:1:1: '1.5' is no time"),
        ("10 h, PB0, 1\n", "bees.csv:1:1: '10 h' is no time"),
        ("0, PB0\n", "bees.csv:1:7: a signal has when, what, value"),
        ("0\n", "bees.csv:1:2: a signal has when, what, value"),
        ("0, PB0, 1, 9600\n", "bees.csv:1:12: PB0 has no speed"),
        ('0, serial0, "a", fast\n', "bees.csv:1:18: 'fast' is no speed"),
        ('0, serial0, "a", 0\n', "bees.csv:1:18: '0' is no speed"),
        ('0, serial0, "a", 9600, 1\n', "bees.csv:1:24: a fifth cell"),
        ("0, serial0, abc\n", "bees.csv:1:13: 'abc' is nothing for serial0"),
        ('0, serial0, "abc\n', "bees.csv:1:13: the text has no closing quote"),
        ('0, serial0, "abc" d\n', "bees.csv:1:19: 'd' after the closing quote"),
        ('0, serial0, "ab\\q"\n', "bees.csv:1:16: \\q is no escape"),
        ("0, serial0, text:ab\\x4\n", "bees.csv:1:20: \\x is no escape"),
        ("0, serial0, hex:0\n", "bees.csv:1:13: 'hex:0': two hex digits a byte"),
        ("0, ADC3, 5 A\n", "bees.csv:1:10: '5 A' is nothing for ADC3"),
        ("0, ADC3, -1V\n", "bees.csv:1:10: '-1V' is nothing for ADC3"),
        ("0, ADC3, 1024\n", "bees.csv:1:10: '1024' is nothing for ADC3"),
        ("0, AIN0, 512\n", "bees.csv:1:10: '512' is nothing for AIN0"),
        ("0, , 1\n", "bees.csv:1:4: '' is no pin"),
    ],
)
def test_a_mistake_names_file_line_and_column(tmp_path: Path, text: str, said: str) -> None:
    """The column is that of the cell's first character, counted from 1."""
    assert mistake(tmp_path, text).startswith(said)


def test_a_file_that_is_no_text_or_is_not_there_is_told(tmp_path: Path) -> None:
    """With its name, and what to do."""
    (tmp_path / "bees.csv").write_bytes(b"0, PB0, 1\n\xff\xfe")
    with pytest.raises(ArgumentError, match=r"bees.csv: byte 10 is no UTF-8 text"):
        read_signals(tmp_path / "bees.csv")
    with pytest.raises(ArgumentError, match=r"wasps.csv: cannot be read"):
        as_signals(tmp_path / "wasps.csv")


def test_python_gives_tuples_with_the_same_cells() -> None:
    """Levels as bool, int or None; volts as float, counts as int; bytes, or text as it stands."""
    signals = as_signals(
        [
            (0, "PB0", True),
            ("1ms", "PB0", 0),
            ("+20", "PB0", None),
            (1, "ADC3", 0.1),
            (2, "ADC3", 512),
            (3, "ADC3", "300mV"),
            (4, "serial0", b"\x00\x01", 9600),
            (5, "serial0", "a\\n"),
            Signal(Moment(6), "PB1", True),
        ]
    )
    assert [(each.when, each.what, each.value, each.baud) for each in signals] == [
        (Moment(0), "PB0", True, None),
        (Moment(0, Fraction(1, 1000)), "PB0", False, None),
        (Moment(20, Fraction(1, 1000)), "PB0", None, None),
        (Moment(1), "ADC3", Fraction(1, 10), None),
        (Moment(2), "ADC3", 512, None),
        (Moment(3), "ADC3", Fraction(3, 10), None),
        (Moment(4), "serial0", b"\x00\x01", 9600),
        (Moment(5), "serial0", b"a\\n", None),
        (Moment(6), "PB1", True, None),
    ]
    assert as_signals(None) == ()


@pytest.mark.parametrize(
    ("given", "said"),
    [
        ([(0, "PB0")], r"signals\[0\]: \(0, 'PB0'\) is no signal"),
        (["PB0"], r"signals\[0\]: 'PB0' is no signal"),
        ([(0, "PB0", 1), (0, "PB0", 7)], r"signals\[1\]: '7' is no level"),
        ([(-1, "PB0", 1)], r"signals\[0\]: '-1' is no time"),
        ([(1.5, "PB0", 1)], r"signals\[0\]: '1.5' is no time"),
        ([(0, "ADC0", float("nan"))], r"signals\[0\]: 'nan' is nothing for ADC0"),
        ([(0, "serial0", 7)], r"signals\[0\]: 7 is nothing for serial0"),
    ],
)
def test_a_mistake_from_python_names_the_number(given: list[object], said: str) -> None:
    """Counted from 0, as the list is."""
    with pytest.raises(ArgumentError, match=said):
        as_signals(given)


def test_a_starting_state_says_that_signals_come(tmp_path: Path) -> None:
    """With the file's name where they are from one."""
    file = tmp_path / "bees.csv"
    file.write_text("0,PB0,1\n1,PB0,0\n", encoding="utf-8")
    assert signals_text(read_signals(file)) == ", with 2 signals of bees.csv"
    assert signals_text(as_signals([(0, "PB0", 1)])) == ", with 1 signal"
    assert signals_text(()) == ""
