"""The calling convention, checked against callers and functions that avr-gcc compiled, run by QEMU.

A caller compiled by avr-gcc calls a recorder in assembly, which sends all registers and the stack through the serial
port: that is where the compiler puts arguments. Functions compiled by avr-gcc return known values to a recorder: that
is where the compiler puts results. And functions compiled by avr-gcc are called with registers, stack and memory set
up as `place_arguments` says, and send what they received.
"""

import re
import shutil
import subprocess
from pathlib import Path
from random import Random

import pytest

from cyclerule.errors import ArgumentError, UnknownName
from cyclerule.firmware.arguments import address, flash, function, out, sized
from cyclerule.firmware.convention import (
    Placement,
    place_arguments,
    result_place,
    scalar_bits,
    scalar_plan,
)
from cyclerule.firmware.elf import read_elf
from cyclerule.firmware.image import Symbol
from cyclerule.firmware.types import (
    ArrayType,
    Field,
    FunctionType,
    IntegerType,
    Parameter,
    PointerType,
    ReferenceType,
    StructType,
    VoidType,
)
from tests.firmware import qemu
from tests.firmware.signatures import (
    CHAR,
    DECLARATIONS,
    FLOATS,
    INTEGERS,
    POINTERS,
    STRUCTS,
    TYPES,
    UINT8,
    Case,
    cases,
    value,
)

CASES = cases(seed=20_02, count=160)
RESULTS = [(name, *value(Random(name), name)) for name in TYPES]
# The larger chip: its RAM holds all constants at once. The convention is the same, the return address has 3 bytes.
RECORDED_PART = "atmega2560"
RETURN_ADDRESS_BYTES = 3
STACK_POINTER = 0x21FF
RECORDED_STACK = 160
RECORDED_RESULT = 40

_PROGRAMS = Path(__file__).parent / "programs"


def _compile(folder: Path, part: str, defines: dict[str, int], sources: list[str], texts: dict[str, str]) -> Path:
    """Compiles and links files of the programs folder and texts, without any of the project's code."""
    if shutil.which("avr-gcc") is None:
        pytest.skip("avr-gcc is not installed (Debian: gcc-avr avr-libc)")
    for name, text in texts.items():
        (folder / name).write_text(text, encoding="utf-8")
    files = [*(str(_PROGRAMS / name) for name in sources), *texts]
    macros = [f"-D{name}={number}" for name, number in defines.items()]
    command = ["avr-gcc", f"-mmcu={part}", "-Os", "-w", "-gdwarf-4", *macros, *files, "-o", "program.elf"]
    subprocess.run(command, cwd=folder, check=True)
    return folder / "program.elf"


@pytest.fixture(scope="module")
def recorded(tmp_path_factory: pytest.TempPathFactory) -> tuple[list[tuple[bytes, bytes]], list[tuple[bytes, bytes]]]:
    """Registers and stack at the entry of each case's callee, and registers and memory after each result's return."""
    aliases = "".join(f".global callee_{c.number}\ncallee_{c.number}:\n" for c in CASES) + "    jmp record_call\n"
    calls = "".join(f"    call caller_{c.number}\n" for c in CASES)
    results = "".join(
        f"    ldi r24, lo8(area)\n    ldi r25, hi8(area)\n    call result_{n}\n    call record_result\n"
        for n in range(len(RESULTS))
    )
    main = (
        f".global main\nmain:\n    ldi r24, lo8({STACK_POINTER})\n    ldi r25, hi8({STACK_POINTER})\n"
        f"    out 0x3e, r25\n    out 0x3d, r24\n    call start_recording\n{calls}{results}1:  rjmp 1b\n"
    )
    callers = DECLARATIONS + "".join(f"{c.declaration}\n{c.caller}\n" for c in CASES)
    returning = DECLARATIONS + "".join(
        f"{name} result_{n}(void) {{ return {expression}; }}\n" for n, (name, _, expression) in enumerate(RESULTS)
    )
    folder = tmp_path_factory.mktemp("recorded")
    defines = {"STACK": RECORDED_STACK, "RESULT": RECORDED_RESULT}
    texts = {"main.S": aliases + main, "callers.c": callers, "results.c": returning}
    image = _compile(folder, RECORDED_PART, defines, ["recorder.S"], texts)
    call_bytes, result_bytes = 32 + RECORDED_STACK, 32 + RECORDED_RESULT
    data = qemu.serial_bytes(image, RECORDED_PART, call_bytes * len(CASES) + result_bytes * len(RESULTS))
    start = call_bytes * len(CASES)
    first = [data[i : i + call_bytes] for i in range(0, start, call_bytes)]
    second = [data[i : i + result_bytes] for i in range(start, len(data), result_bytes)]
    return [(d[:32], d[32:]) for d in first], [(d[:32], d[32:]) for d in second]


def _no_symbols(name: str) -> Symbol:
    raise UnknownName("symbol", name)


def _place(signature: FunctionType, *values: object, **settings: int) -> Placement:
    given = {"stack_pointer": STACK_POINTER, "flash_free": 0x4000, **settings}
    return place_arguments(signature, values, symbols=_no_symbols, name="f", **given)  # type: ignore[arg-type]


def _stack_arguments(placement: Placement) -> bytes:
    return b"".join(data for place, data in placement.memory if place == placement.stack_pointer + 1)


@pytest.mark.parametrize("case", CASES, ids=lambda case: f"{case.number}")
def test_arguments_are_where_a_compiled_caller_puts_them(
    case: Case, recorded: tuple[list[tuple[bytes, bytes]], list[tuple[bytes, bytes]]]
) -> None:
    """Source: the same call compiled by avr-gcc 5.4.0 and recorded at the callee's entry in QEMU."""
    registers, stack = recorded[0][case.number]
    placement = _place(case.signature, *case.values)
    result = placement.buffers.get("return")
    hidden_in_registers = result is not None and not case.variadic
    places = set(placement.argument_registers)
    if hidden_in_registers:
        places -= {24, 25}
    assert {n: placement.registers[n] for n in places} == {n: registers[n] for n in places}
    assert placement.registers[1] == registers[1] == 0
    pushed = _stack_arguments(placement) if placement.stack_pointer + 1 != (result.address if result else None) else b""
    skipped = 2 if result is not None and case.variadic else 0
    assert pushed[skipped:] == stack[RETURN_ADDRESS_BYTES:][skipped : len(pushed)]
    assert placement.stack_pointer == STACK_POINTER - len(pushed) - (result.size if result else 0)


def test_the_cases_meet_every_kind_of_place() -> None:
    """The check above is worth something only if stack, full registers, hidden results and `...` all occur."""
    placements = [(case, _place(case.signature, *case.values)) for case in CASES]
    on_stack = [c for c, p in placements if _stack_arguments(p) and not c.variadic and "return" not in p.buffers]
    assert len(on_stack) >= 20
    assert sum(8 in p.argument_registers for _, p in placements) >= 5
    assert sum("return" in p.buffers and not c.variadic for c, p in placements) >= 10
    assert any("return" in p.buffers and c.variadic for c, p in placements)
    assert sum(c.variadic for c in CASES) >= 10
    assert sum(not c.prototyped and bool(c.parameters) for c in CASES) >= 10
    assert any(not c.prototyped and c in on_stack for c in CASES)
    assert {t for c in CASES for t in c.parameters} == set(TYPES)


@pytest.mark.parametrize("number", range(len(RESULTS)), ids=[name for name, _, _ in RESULTS])
def test_results_are_where_a_compiled_function_puts_them(
    number: int, recorded: tuple[list[tuple[bytes, bytes]], list[tuple[bytes, bytes]]]
) -> None:
    """Source: the function compiled by avr-gcc 5.4.0 and recorded after its return in QEMU."""
    name, expected, _ = RESULTS[number]
    registers, area = recorded[1][number]
    place = result_place(FunctionType((), TYPES[name]))
    read = place.read(registers, lambda at, size: area[:size])
    assert read == expected
    if place.in_memory:
        address_in_registers = recorded[1][[n for n, _, _ in RESULTS].index("struct s33")][0][24:26]
        assert registers[24:26] == address_in_registers


# ------------------------------------------------------------------------------------ calls set up by hand, run by QEMU
_EXECUTED_PART = "atmega328p"
_EXECUTED_STACK = 0x06FF
_TABLE = 0x6000
_FLASH_FREE = 0x5000
_LOGGED, _SHOWN = 190, 57

_FRAME = StructType("frame", 8, (
    Field("id", 0, UINT8),
    Field("kind", 1, IntegerType("unsigned int", 2, False), bit_offset=0, bit_size=3),
    Field("offset", 1, IntegerType("int", 2, True), bit_offset=3, bit_size=5),
    Field("raw", 2, ArrayType(INTEGERS["int16_t"], 2)),
    Field("", 6, StructType("", 2, (
        Field("word", 0, INTEGERS["uint16_t"]), Field("bytes", 0, ArrayType(UINT8, 2)),
    ), is_union=True)),
))  # fmt: skip
_NOTE = StructType("note", 3, (Field("text", 0, PointerType(CHAR)), Field("size", 2, UINT8)))
_BIG = StructType("big", 12, (Field("b", 0, ArrayType(UINT8, 12)),))
_COMPARE = PointerType(FunctionType((), INTEGERS["int16_t"]))
_BYTES = PointerType(UINT8)
_TEXT = PointerType(IntegerType("char", 1, True, is_const=True, is_char=True))


def _takes(*types: object, returns: object = None, variadic: bool = False) -> FunctionType:
    parameters = tuple(Parameter(f"p{n}", t) for n, t in enumerate(types))  # type: ignore[arg-type]
    return FunctionType(parameters, VoidType() if returns is None else returns, variadic)  # type: ignore[arg-type]


_FRAME_VALUE = {"id": 7, "kind": 5, "offset": -3, "raw": [-2, 300], "bytes": [0x34, 0x12]}
_FRAME_LOG = bytes([7, 5, 0xFD, 0xFE, 0xFF, 0x2C, 0x01, 0x34, 0x12])
_MEMX = PointerType(UINT8, 3, address_space="memx")
_FLASH = PointerType(UINT8, address_space="flash")
# Function, its type, the arguments, what it must have received, which buffer to look at afterwards and what it holds.
EXECUTED: dict[str, tuple[str, FunctionType, tuple[object, ...], bytes, str | None, bytes]] = {
    "bytes": ("reads_bytes", _takes(_BYTES, UINT8), (b"\1\2\3", 3), b"\1\2\3\3", "p0", b"\1\2\3"),
    "text": ("reads_text", _takes(_TEXT), ("h\u00efve",), "h\u00efve".encode() + b"\0", None, b""),
    "numbers": (
        "reads_numbers",
        _takes(
            PointerType(INTEGERS["int16_t"]), PointerType(FLOATS["float"]), PointerType(INTEGERS["uint32_t"])
        ),
        ([1, -2, 300], (0.5, -2.0), [0xDEADBEEF]),
        b"\1\0\xfe\xff\x2c\1" + b"\0\0\0\x3f\0\0\0\xc0" + b"\xef\xbe\xad\xde",
        None,
        b"",
    ),
    "structure by address": ("reads_frame", _takes(PointerType(_FRAME)), (_FRAME_VALUE,), _FRAME_LOG, None, b""),
    "structure by value": (
        "takes_frame", _takes(UINT8, _FRAME, UINT8), (1, _FRAME_VALUE, 2), b"\1" + _FRAME_LOG + b"\2", None, b"",
    ),
    "pointer inside a structure": (
        "reads_note", _takes(PointerType(_NOTE)), ({"text": "wax", "size": 4},), b"wax\0", "p0.text", b"wax\0",
    ),
    "output buffer": (
        "writes", _takes(_BYTES, UINT8, returns=INTEGERS["uint16_t"]), (out(4), 4), bytes(4), "p0", b"\x40\x41\x42\x43",
    ),
    "program memory": ("reads_program_memory", _takes(_BYTES, UINT8), (flash(b"\5\6\7"), 3), b"\5\6\7", None, b""),
    "program memory variable": (
        "reads_program_memory", _takes(_BYTES, UINT8), (address("stored"), 3), b"\x09\x08\x07", None, b"",
    ),
    "flash pointer": ("reads_flash", _takes(_FLASH, UINT8), (b"\x0a\x0b", 2), b"\x0a\x0b", None, b""),
    "memx pointers": (
        "reads_anywhere", _takes(_MEMX, UINT8, _MEMX), (flash(b"\1\2"), 2, b"\3\4"), b"\1\3\2\4", "p2", b"\3\4",
    ),
    "memx pointer to a variable": (
        "reads_anywhere", _takes(_MEMX, UINT8, _MEMX), (address("counter"), 2, address("stored")), b"\x34\x09\x12\x08",
        None, b"",
    ),
    "variable": ("reads_bytes", _takes(_BYTES, UINT8), (address("counter"), 2), b"\x34\x12\2", None, b""),
    "function pointer": ("calls", _takes(_COMPARE, INTEGERS["int16_t"]), (function("twice"), 21), b"\x2a\0", None, b""),
    "list of texts": (
        "reads_list", _takes(PointerType(PointerType(CHAR)), UINT8), (["queen", "bee"], 2), b"queen\0bee\0",
        "p0[1]", b"bee\0",
    ),
    "large result": (
        "fills", _takes(_TEXT, UINT8, returns=_BIG), ("hive", 3), b"hive\0", "return", bytes(range(3, 15)),
    ),
    "stack and buffer": (
        "many",
        _takes(INTEGERS["uint64_t"], INTEGERS["uint64_t"], _TEXT, UINT8, FLOATS["float"], UINT8),
        (0x0102030405060708, 0x1112131415161718, "comb", 0xC0, 0.5, 0xE0),
        bytes([8, 7, 6, 5, 4, 3, 2, 1, 0x18, 0x17, 0x16, 0x15, 0x14, 0x13, 0x12, 0x11])
        + b"comb\0\xc0\0\0\0\x3f\xe0",
        None,
        b"",
    ),
    "names of values": (
        "named", _takes(INTEGERS["enum level"], INTEGERS["bool"], CHAR), ("LOW", True, "x"), b"\xff\xff\1x", None, b"",
    ),
    "no buffer": ("nothing", _takes(_TEXT), (None,), b"\0\0", None, b""),
    "references": (
        "refers",
        _takes(
            ReferenceType(INTEGERS["int16_t"]),
            ReferenceType(
                StructType("pair", 4, (Field("a", 0, INTEGERS["int16_t"]), Field("b", 2, INTEGERS["int16_t"])))
            ),
            ReferenceType(ArrayType(UINT8, 3)),
        ),
        (41, {"a": 1, "b": -1}, [7, 8, 9]),
        b"\x29\0\1\0\xff\xff\7\x08\x09",
        "p0",
        b"\x2a\0",
    ),
    "the library's snprintf": (
        "snprintf",
        _takes(PointerType(CHAR), INTEGERS["uint16_t"], _TEXT, returns=INTEGERS["int16_t"], variadic=True),
        (out(40), 40, "%d %ld %s %u %c", -5, sized(70, 4), "bees", 60000, ord("q")),
        b"",
        "p0",
        b"-5 70 bees 60000 q\0",
    ),
    "the library's qsort": (
        "qsort",
        _takes(PointerType(INTEGERS["int16_t"]), INTEGERS["uint16_t"], INTEGERS["uint16_t"], _COMPARE),
        ([300, -5, 7, 0], 4, 2, function("by_value")),
        b"",
        "p0",
        b"\xfb\xff\0\0\7\0\x2c\1",
    ),
}  # fmt: skip


def _symbols(image: Path) -> dict[str, Symbol]:
    listing = subprocess.run(["avr-nm", str(image)], capture_output=True, text=True, check=True).stdout
    found = {}
    for place, letter, name in re.findall(r"^([0-9a-f]+) (\w) (\w+)$", listing, re.MULTILINE):
        at = int(place, 16)
        in_ram = at >= 0x800000
        kind = "function" if letter in "Tt" else "object"
        found[name] = Symbol(name, "data" if in_ram else "flash", at & 0xFFFF, 0, kind, "global")  # type: ignore[arg-type]
    return found


@pytest.fixture(scope="module")
def executed(tmp_path_factory: pytest.TempPathFactory) -> dict[str, tuple[bytes, bytes, bytes]]:
    """What the functions logged, r18 to r25 after the return, and the memory asked for, case by case."""
    folder = tmp_path_factory.mktemp("executed")
    defines = {"LOGGED": _LOGGED, "SHOWN": _SHOWN, "TABLE": _TABLE}
    image = _compile(folder, _EXECUTED_PART, defines, ["callees.c", "callees_cpp.cpp", "run_case.S"], {})
    symbols = _symbols(image)
    raw = folder / "program.bin"
    subprocess.run(["avr-objcopy", "-O", "binary", str(image), str(raw)], check=True)
    program = bytearray(raw.read_bytes().ljust(0x8000, b"\xff"))
    table = bytearray([len(EXECUTED)])
    flash_free = _FLASH_FREE
    for name, signature, values, _, shown, _ in EXECUTED.values():
        placement = place_arguments(
            signature, values, stack_pointer=_EXECUTED_STACK, flash_free=flash_free, symbols=symbols.__getitem__
        )
        for place, data in placement.flash:
            program[place : place + len(data)] = data
            flash_free = place + len(data)
        table.append(len(placement.memory))
        for place, data in placement.memory:
            table += place.to_bytes(2, "little") + bytes([len(data)]) + data
        table += bytes(placement.registers.get(n, 0xA0 + n) for n in range(32))
        table += placement.stack_pointer.to_bytes(2, "little")
        table += (symbols[name].address // 2).to_bytes(2, "little")
        table += (placement.buffers[shown].address if shown else 0x100).to_bytes(2, "little")
    program[_TABLE : _TABLE + len(table)] = table
    raw.write_bytes(program)
    size = 1 + _LOGGED + 8 + _SHOWN
    sent = qemu.serial_bytes(raw, _EXECUTED_PART, size * len(EXECUTED))
    records = [sent[i : i + size] for i in range(0, len(sent), size)]
    return {
        case: (r[1 : 1 + r[0]], r[1 + _LOGGED : 9 + _LOGGED], r[9 + _LOGGED :])
        for case, r in zip(EXECUTED, records, strict=True)
    }


@pytest.mark.parametrize("case", EXECUTED)
def test_a_compiled_function_receives_what_was_placed(
    case: str, executed: dict[str, tuple[bytes, bytes, bytes]]
) -> None:
    """Source: the function compiled by avr-gcc 5.4.0, or taken from avr-libc 2.0.0, and called so in QEMU."""
    _, _, _, received, shown, holds = EXECUTED[case]
    logged, _, memory = executed[case]
    assert logged == received
    if shown is not None:
        assert memory[: len(holds)] == holds


def test_results_are_read_from_registers_and_memory(executed: dict[str, tuple[bytes, bytes, bytes]]) -> None:
    """Source: the same functions run in QEMU."""
    expected = {"output buffer": 0xBEEF, "large result": bytes(range(3, 15)), "the library's snprintf": 18}
    for case, result in expected.items():
        _, signature, *_ = EXECUTED[case]
        _, registers, memory = executed[case]

        def remembered(_: int, size: int, memory: bytes = memory) -> bytes:
            return memory[:size]

        assert result_place(signature).read(bytes(18) + registers + bytes(6), remembered) == result


# ------------------------------------------------------------------------------------------- what holds without a chip
def test_a_scalar_plan_says_what_placing_the_arguments_says() -> None:
    """Wherever a plan exists it fills the same registers with the same bytes; it exists where registers are enough."""
    planned = 0
    for case in CASES:
        plan = scalar_plan(case.signature)
        placement = _place(case.signature, *case.values)
        scalars = not any(t in STRUCTS for t in case.parameters)
        enough = scalars and not placement.memory and not case.variadic
        assert (plan is not None) == enough
        if plan is None or not case.prototyped:
            continue
        planned += bool(plan)
        registers = {1: 0}
        for parameter, given, (name, places) in zip(case.signature.parameters, case.values, plan, strict=True):
            assert name == parameter.name
            bits = scalar_bits(parameter, given)
            registers.update({number: bits >> (8 * byte) & 255 for number, byte in places})
        assert registers == placement.registers
    assert planned >= 10


@pytest.mark.parametrize(
    ("kind", "low", "high"),
    [
        ("bool", 0, 1),
        ("char", -128, 127),
        ("int8_t", -128, 127),
        ("uint8_t", 0, 255),
        ("int16_t", -32768, 32767),
        ("uint16_t", 0, 65535),
        ("__uint24", 0, 0xFFFFFF),
        ("int32_t", -(1 << 31), (1 << 31) - 1),
        ("uint64_t", 0, (1 << 64) - 1),
        ("enum packed", 0, 255),
        ("char *", 0, 0xFFFF),
        ("const __memx char *", 0, 0xFFFFFF),
    ],
)
def test_a_number_must_fit_its_parameter(kind: str, low: int, high: int) -> None:
    """C11 5.2.4.2.1 for the integers, avr-gcc's sizes; addresses have 2 or 3 bytes (its named address spaces)."""
    signature = _takes(TYPES[kind])
    for fitting in (low, high):
        _place(signature, fitting)
    for too_far in (low - 1, high + 1):
        with pytest.raises(ArgumentError, match=rf"p0.*{re.escape(str(too_far))}"):
            _place(signature, too_far)


def test_fractions_are_refused_where_whole_numbers_belong() -> None:
    """5.0 is a whole number, 5.5 is none."""
    signature = _takes(UINT8)
    assert _place(signature, 5.0).registers[24] == 5
    with pytest.raises(ArgumentError, match=r"whole number from 0 to 255; 5\.5 given"):
        _place(signature, 5.5)
    with pytest.raises(ArgumentError, match=r"whole number from 0 to 255; inf given"):
        _place(signature, float("inf"))


def test_floats_are_rounded_to_the_nearest_single() -> None:
    """IEEE 754 binary32: 0.1 is 0x3DCCCCCD; 3.5e38 is beyond the largest finite number."""
    placed = _place(_takes(FLOATS["double"]), 0.1).registers
    assert [placed[n] for n in (22, 23, 24, 25)] == [0xCD, 0xCC, 0xCC, 0x3D]
    _place(_takes(FLOATS["float"]), float("inf"))
    _place(_takes(FLOATS["float"]), 3)
    with pytest.raises(ArgumentError, match=r"p0. .float. takes numbers up to"):
        _place(_takes(FLOATS["float"]), 3.5e38)
    with pytest.raises(ArgumentError, match="takes a number"):
        _place(_takes(FLOATS["float"]), "1.5")


def test_numpy_numbers_are_numbers() -> None:
    """Rows of a sweep come from numpy arrays."""
    numpy = pytest.importorskip("numpy")
    signature = _takes(UINT8, FLOATS["float"], PointerType(INTEGERS["int16_t"]))
    ours = _place(signature, 200, 0.5, [1, -2])
    theirs = _place(signature, numpy.uint8(200), numpy.float32(0.5), numpy.array([1, -2], dtype=numpy.int16))
    assert ours == theirs
    with pytest.raises(ArgumentError, match="takes 0 to 255; 256 given"):
        _place(signature, numpy.int64(256), 0.5, [])


def test_a_wrong_count_names_the_parameters() -> None:
    """The message is what a user needs to write the call."""
    signature = FunctionType((Parameter("crc", UINT8), Parameter("byte", UINT8)), UINT8)
    with pytest.raises(ArgumentError, match=r"f takes 2 arguments \(uint8_t crc, uint8_t byte\); 1 given"):
        _place(signature, 1)
    with pytest.raises(ArgumentError, match=r"f takes 0 arguments \(none\); 1 given"):
        _place(_takes(), 1)
    with pytest.raises(ArgumentError, match=r"f takes at least 1 argument \(const char \*p0\); 0 given"):
        _place(_takes(_TEXT, variadic=True))


def test_names_that_do_not_exist_come_with_the_nearest() -> None:
    """Enumerators and members."""
    with pytest.raises(UnknownName, match="no enumerator 'HIHG'; nearest: HIGH"):
        _place(_takes(INTEGERS["enum level"]), "HIHG")
    with pytest.raises(UnknownName, match="no member 'ofset'; nearest: offset"):
        _place(_takes(_FRAME), {"ofset": 1})


@pytest.mark.parametrize(
    ("signature", "given", "message"),
    [
        (_takes(UINT8), "text", "takes a whole number; 'text' given"),
        (_takes(UINT8), b"x", "takes a whole number from 0 to 255"),
        (_takes(PointerType(INTEGERS["int16_t"])), "text", "does not point to characters"),
        (_takes(PointerType(VoidType())), [1, 2], "give its contents as bytes"),
        (_takes(_BYTES), 1.5, "takes a buffer"),
        (_takes(_BYTES), [1, 256], r"element 1 takes 0 to 255; 256 given"),
        (_takes(_COMPARE), b"x", "is a function pointer"),
        (_takes(_FLASH), out(3), "cannot write to"),
        (
            _takes(PointerType(UINT8, address_space="flash2")),
            flash(b"x"),
            "cannot be placed for a pointer into __flash2",
        ),
        (_takes(_FRAME), b"123", "takes 8 bytes; 3 given"),
        (_takes(_FRAME), 5, r"takes its members by name \(id, kind, offset, raw, word, bytes\), or 8 bytes"),
        (_takes(_FRAME), {"kind": 8}, "bit-field of 3 bits that takes 0 to 7; 8 given"),
        (_takes(_FRAME), {"offset": -17}, "bit-field of 5 bits that takes -16 to 15; -17 given"),
        (_takes(_FRAME), {"word": 1, "bytes": [1]}, "shares its memory"),
        (_takes(_FRAME), {"raw": [1, 2, 3]}, r"takes 2 elements \(4 bytes\); 6 bytes given"),
        (_takes(StructType("hidden", 0, is_complete=False)), b"", "size of struct hidden is not known"),
        (_takes(VoidType()), 1, "declare the function's prototype"),
        (_takes(IntegerType("complex int", 4, True)), 1, "numbers of this type are not supported"),
        (_takes(StructType("Owner", 2, is_plain=False)), b"12", "cannot be passed by value: the class declares"),
    ],
    ids=lambda x: x if isinstance(x, str) else "",
)
def test_what_does_not_fit_is_refused_with_one_clear_message(
    signature: FunctionType, given: object, message: str
) -> None:
    """Each names the parameter."""
    with pytest.raises(ArgumentError, match=message) as caught:
        _place(signature, given)
    assert "p0" in str(caught.value)


def test_arguments_in_place_of_dots_have_c_sizes() -> None:
    """C11 6.5.2.2: default argument promotions; what an int does not hold is a long, then a long long."""
    signature = _takes(_TEXT, variadic=True)
    sizes = {0: 2, -32768: 2, 65535: 2, 65536: 4, -32769: 4, 1 << 32: 8, 0.5: 4}
    for given, size in sizes.items():
        placement = _place(signature, 0x1234, given)
        assert len(_stack_arguments(placement)) == 2 + size
    with pytest.raises(ArgumentError, match="does not fit 8 bytes"):
        _place(signature, 0, 1 << 64)
    with pytest.raises(ArgumentError, match="2, 4 or 8 bytes"):
        sized(1, 3)
    with pytest.raises(ArgumentError, match="does not fit 2 bytes"):
        sized(1 << 16, 2)


def test_buffers_lie_between_the_given_stack_pointer_and_the_arguments_on_the_stack() -> None:
    """A caller's locals lie above what it pushes; SP is the next free byte (AVR Instruction Set Manual, PUSH)."""
    signature = _takes(_BYTES, INTEGERS["uint64_t"], INTEGERS["uint64_t"], UINT8, returns=_BIG)
    placement = _place(signature, b"abc", 1, 2, 3)
    big, text = placement.buffers["return"], placement.buffers["p0"]
    assert (big.address, big.size, big.kind) == (STACK_POINTER - 11, 12, "result")
    assert (text.address, text.size, text.kind) == (STACK_POINTER - 14, 3, "in")
    assert placement.buffers[0] is not None
    assert placement.stack_pointer == STACK_POINTER - 12 - 3 - 8 - 1
    written = [a for start, data in placement.memory for a in range(start, start + len(data))]
    assert sorted(written) == list(range(placement.stack_pointer + 1, STACK_POINTER + 1))


def test_buffers_that_do_not_fit_are_refused() -> None:
    """RAM of an ATmega328P begins at 0x0100 (datasheet, "SRAM data memory"); the return address needs room too."""
    signature = _takes(_BYTES)
    _place(signature, out(14), stack_pointer=0x10F, ram_start=0x100)
    with pytest.raises(ArgumentError, match=r"buffers and stack arguments take 15 bytes .* only 16 bytes"):
        _place(signature, out(15), stack_pointer=0x10F, ram_start=0x100)
    with pytest.raises(ArgumentError, match="do not fit into program memory; 2 are free"):
        _place(signature, flash(b"abc"), flash_free=0x7FFE, flash_end=0x8000)
    with pytest.raises(ArgumentError, match="a pointer of 2 bytes does not reach"):
        _place(signature, flash(b"abc"), flash_free=0xFFFE)


def test_a_function_beyond_128_kilobytes_is_refused_as_a_pointer() -> None:
    """Function pointers hold 16 bits of a word address (GCC manual, "AVR Options", EIND and jump stubs)."""
    far = {"near": Symbol("near", "flash", 0x1FFFE, 0, "function", "global")}
    far["far"] = Symbol("far", "flash", 0x20000, 0, "function", "global")
    settings = {"stack_pointer": STACK_POINTER, "flash_free": 0, "symbols": far.__getitem__}
    placed = place_arguments(_takes(_COMPARE), [function("near")], **settings)  # type: ignore[arg-type]
    assert (placed.registers[24], placed.registers[25]) == (0xFF, 0xFF)
    with pytest.raises(ArgumentError, match="far lies beyond 128 KB"):
        place_arguments(_takes(_COMPARE), [function("far")], **settings)  # type: ignore[arg-type]


def test_reduced_tiny_parts_are_refused() -> None:
    """Their arguments start at r25 and end at r20 (gcc.gnu.org/wiki/avr-gcc, "Reduced Tiny"): another convention."""
    with pytest.raises(ArgumentError, match="avrtiny"):
        place_arguments(_takes(), [], stack_pointer=0x5F, flash_free=0, symbols=_no_symbols, architecture="avrtiny")


def test_results_that_are_returned_nobody_knows_how_are_refused() -> None:
    """Complex integers, and C++ classes that are perhaps returned through a hidden reference (see the next test)."""
    for returns in (IntegerType("complex long long int", 16, True), StructType("Owner", 2, is_plain=False)):
        for refused in (result_place, scalar_plan, _place):
            with pytest.raises(ArgumentError, match=r"result of type .* is not supported"):
                refused(_takes(returns=returns))


_CLASSES = """
struct Plain { char a, b; Plain() {} explicit Plain(int x) : a(x) {} int get() const { return a; } };
struct Destroyed { char a, b; ~Destroyed(); };
struct Copied { char a, b; Copied(const Copied &); };
struct Moved { char a, b; Moved(Moved &&); };
struct Default { char a, b; ~Default() = default; };
struct Part { char a; Destroyed parts[2]; };
struct Base : Copied { char c; };
struct Virtual { char a; virtual int get(); };
template<class T> struct Box { T a; ~Box(); };
int f_plain(Plain x) { return x.a; }
int f_destroyed(Destroyed x) { return x.a; }
int f_copied(Copied x) { return x.a; }
int f_moved(Moved x) { return x.a; }
int f_default(Default x) { return x.a; }
int f_part(Part x) { return x.a; }
int f_base(Base x) { return x.a; }
int f_virtual(Virtual x) { return x.a; }
int f_box(Box<char> x) { return x.a; }
int f_reference(Destroyed &x) { return x.a; }
int main() {}
"""


def test_classes_that_may_be_passed_by_a_hidden_reference_are_refused_by_value(tmp_path: Path) -> None:
    """Source: the code that avr-gcc 5.4.0 makes, which loads from the address in r25:r24 (Itanium C++ ABI 3.1.1).

    Only the defaulted destructor does not make one; that the debug information does not tell apart.
    """
    if shutil.which("avr-g++") is None:
        pytest.skip("avr-g++ is not installed (Debian: gcc-avr avr-libc)")
    source, program = tmp_path / "a.cpp", tmp_path / "a.elf"
    source.write_text(_CLASSES, encoding="utf-8")
    options = [f"-mmcu={_EXECUTED_PART}", "-std=gnu++11", "-Os", "-fno-ipa-icf", "-gdwarf-4", "-w"]
    options.append("-Wl,--unresolved-symbols=ignore-all")
    subprocess.run(["avr-g++", *options, str(source), "-o", str(program)], check=True)
    listing = subprocess.run(
        ["avr-objdump", "-d", "-C", str(program)], capture_output=True, text=True, check=True
    ).stdout
    functions = {f.source_name: f for f in read_elf(program).functions.values()}
    for name in re.findall(r"int (f_\w+)\(", _CLASSES):
        signature = functions[name].signature
        assert signature is not None
        code = re.search(rf"<{name}\([^\n]*\)>:\n(.*?)\bret\b", listing, re.DOTALL)
        assert code is not None
        dereferences = "movw\tr30, r24" in code[1]
        refused = False
        try:
            _place(signature, bytes(signature.parameters[0].type.size_bytes))  # type: ignore[attr-defined]
        except ArgumentError as error:
            refused = "by value" in str(error) or "size of" in str(error)
        assert refused == ((dereferences and name != "f_reference") or name == "f_default"), name


def test_no_result_reads_as_none_and_enumerators_as_numbers() -> None:
    """Signs follow the type."""
    registers = bytes(24) + b"\xff\xff"
    assert result_place(_takes()).read(registers) is None
    assert result_place(_takes(returns=INTEGERS["enum level"])).read(registers) == -1
    assert result_place(_takes(returns=INTEGERS["uint16_t"])).read(registers.__getitem__) == 0xFFFF
    assert result_place(_takes(returns=POINTERS["char *"])).read(registers) == 0xFFFF
