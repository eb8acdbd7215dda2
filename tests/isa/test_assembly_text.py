"""Decoder and text against GNU binutils: objdump for all first words, the assembler where objdump is at fault."""

import re
import shutil
import subprocess
from pathlib import Path

import pytest

from cyclerule.isa.families import Core
from cyclerule.isa.record import REGISTERED, Instruction
from cyclerule.isa.table import InstructionTable
from cyclerule.isa.text import assembly, disassemble
from cyclerule.parts import load_part
from cyclerule.toolchain import find
from tests.isa.cores import CORES

SECOND_WORD = 0x0123

# binutils decodes the words of every family for each machine, so what a machine lacks is taken out here.
XMEGA_ONLY = {"xch", "las", "lac", "lat", "des"}
NOT_ON_AVRRC = {
    *("adiw", "sbiw", "movw", "mul", "muls", "mulsu", "fmul", "fmuls", "fmulsu", "ldd", "std"),
    *("lpm", "elpm", "spm", "jmp", "call", "eijmp", "eicall"),
    *XMEGA_ONLY,
}

PARTS_OF_ARCHITECTURES = {
    "avr1": "at90s1200",
    "avr2": "at90s8515",
    "avr25": "attiny84",
    "avr3": "at43usb355",
    "avr31": "atmega103",
    "avr35": "at90usb162",
    "avr4": "atmega8",
    "avr5": "atmega328p",
    "avr51": "atmega128",
    "avr6": "atmega2560",
    "avrxmega7": "atxmega128a1",
    "avrtiny": "attiny20",
}

TAKEN_ALL_THE_SAME = {
    "SPM Z+": "SPM",  # on every part with SPM, where DS40002198 sec. 6.113.2 has N/A for AVRe
    "LPM Rd, Z": "LPM",  # on parts with LPM alone too
    "ELPM Rd, Z": "ELPM",
}
"""What avr-as takes on parts that have the other feature only."""


def tool(name: str) -> str:
    """The path of a program of binutils; skips without it."""
    path = shutil.which(name)
    if path is None:
        pytest.skip(f"{name} is not installed (Debian: binutils-avr)")
    return path


def objdump_texts(machine: str, folder: Path) -> dict[int, str]:
    """What avr-objdump calls each first word, all of them in one run; comments and layout taken off."""
    image = folder / "words.bin"
    image.write_bytes(b"".join(word.to_bytes(2, "little") + SECOND_WORD.to_bytes(2, "little") for word in range(65536)))
    command = [tool("avr-objdump"), "-b", "binary", "-m", machine, "-D", "-z", "--no-show-raw-insn", str(image)]
    listing = subprocess.run(command, capture_output=True, encoding="utf-8", check=True).stdout
    texts = {}
    for address, text in re.findall(r"^ *([0-9a-f]+):\t([^;\n]*)", listing, re.MULTILINE):
        if int(address, 16) % 4 == 0:
            texts[int(address, 16) // 4] = " ".join(text.split())
    return texts


def same_spelling(text: str) -> str:
    """Hexadecimal digits in lower case; registers X, Y, Z stay as they are in both."""
    return re.sub(r"0[xX][0-9a-fA-F]+", lambda number: number[0].lower(), text)


@pytest.mark.parametrize(("machine", "family"), [("avr:6", "AVRe+"), ("avr:107", "AVRxm"), ("avr:100", "AVRrc")])
def test_every_first_word_reads_as_avr_objdump_reads_it(machine: str, family: str, tmp_path: Path) -> None:
    """GNU binutils, avr-objdump -D over all 65,536 first words, each with the same second word after it."""
    table = InstructionTable(CORES[family])
    theirs = objdump_texts(machine, tmp_path)
    assert len(theirs) == 65536
    different = {}
    for word in range(65536):
        text = same_spelling(theirs[word])
        mnemonic = text.split()[0]
        if (
            (family == "AVRe+" and (mnemonic in XMEGA_ONLY or text == "spm Z+"))
            or (family == "AVRrc" and mnemonic in NOT_ON_AVRRC)
            or (family == "AVRrc" and mnemonic in ("lds", "sts") and word < 0xA000)
        ):
            text = f".word 0x{word:04x}"
        ours = disassemble(table, word, SECOND_WORD)
        if family == "AVRrc" and 0xA000 <= word < 0xB000:
            # binutils 2.26 leaves bit 7 out of these addresses, which its own assembler puts in: see the test below.
            ours = re.sub(r"0x00(..)", lambda address: f"0x{int(address[1], 16) & 0x7F:02x}", ours)
        if ours != text:
            different[word] = (text, ours)
    assert different == {}


def assemble(part: str, lines: list[str], folder: Path) -> tuple[list[int], set[int]]:
    """The words that avr-as makes of the lines, and the numbers of the lines it refuses."""
    source, result = folder / f"{part}.s", folder / f"{part}.o"
    source.write_text("\n".join(lines) + "\n", encoding="utf-8")
    done = subprocess.run(
        [tool("avr-as"), f"-mmcu={part}", str(source), "-o", str(result)],
        capture_output=True,
        encoding="utf-8",
        check=False,
    )
    assert done.returncode in (0, 1), done.stderr
    refused = {int(line) - 1 for line in re.findall(r":(\d+): Error", done.stderr)}
    if refused:
        return [], refused
    code = folder / f"{part}.bin"
    subprocess.run([tool("avr-objcopy"), "-O", "binary", "-j", ".text", str(result), str(code)], check=True)
    data = code.read_bytes()
    return [int.from_bytes(data[n : n + 2], "little") for n in range(0, len(data), 2)], refused


def test_one_word_lds_and_sts_encode_as_the_assembler_encodes_them(tmp_path: Path) -> None:
    """avr-as for an AVRrc part, every register and address; the address bits stand in an order of their own."""
    forms = [each for each in REGISTERED if each.mnemonic in ("LDS", "STS") and each.words == 1]
    lines: list[str] = []
    words: list[int] = []
    for form in forms:
        for register in range(16, 32):
            for address in range(0x40, 0xC0):
                operands = (register, address) if form.mnemonic == "LDS" else (address, register)
                lines.append(assembly(form, operands))
                words.extend(form.encode(*operands))
    assert len(lines) == 2 * 16 * 128
    assert assemble("attiny20", lines, tmp_path) == (words, set())


@pytest.mark.parametrize(("architecture", "part_name"), PARTS_OF_ARCHITECTURES.items())
def test_a_core_has_the_instructions_that_the_assembler_takes_for_its_part(
    architecture: str, part_name: str, tmp_path: Path
) -> None:
    """avr-as knows each part's instructions; what it refuses is none on our core, and the other way round."""
    part = load_part(part_name, find())
    assert part.architecture == architecture
    core = Core(part.family, part.features, part.pc_bytes)
    # The assembler of binutils 2.26 crashes where it should refuse DES.
    asked = [each for each in REGISTERED if each.mnemonic != "DES"]
    lines = [assembly(each, tuple(_operand(each, letter) for letter in each.operands)) for each in asked]
    _, refused = assemble(part_name, lines, tmp_path)
    # The forms of LDS of one and of two words are written alike; a core has one of them.
    taken = {str(each) for n, each in enumerate(asked) if n not in refused}
    ours = {str(each) for each in asked if each.is_on(core)}
    taken -= {form for form, feature in TAKEN_ALL_THE_SAME.items() if feature in part.features and form not in ours}
    # The word of BREAK exists on every core, and a core without the instruction passes over it.
    assert ours - taken == ({"BREAK"} if "BREAK" not in part.features else set())
    assert taken <= ours


def _operand(instruction: Instruction, letter: str) -> int:
    """The highest register, which every core has; an address that the one-word LDS has too."""
    kind, width = instruction.operands[letter], instruction.pattern.field_width(letter)
    if "address" in kind.name:
        return 0x44 if kind.name.startswith("data") else 0
    return kind.value((1 << width) - 1 if "register" in kind.name else 1, width)


def test_words_that_are_no_instruction_read_as_data() -> None:
    """DS40002198 sec. 6 has no form for these; 0xFFFF is what erased flash holds."""
    table = InstructionTable(CORES["AVRe+"])
    for word in (0x0001, 0x00FF, 0x9404, 0x9429, 0x95B8, 0xFFFF):
        assert disassemble(table, word) == f".word 0x{word:04x}"
