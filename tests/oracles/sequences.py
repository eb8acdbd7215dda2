"""Generates random sequences of single instructions, each from a random state of registers and flags to another.

A sequence is a routine in assembly. The frame around it loads all registers and the status register, runs it, stores
them all again and prints them with a checksum of the memory that loads and stores may touch.
"""

import random
from collections.abc import Callable

from tests.oracles.programs import END

BUFFER_BYTES = 192

# The routine runs between `enter` and `leave` with every register as the state has it; both are written so that
# nothing but LDS, STS, PUSH and POP of the frame's own touches the state.
ASSEMBLY = """\
#include <avr/io.h>
    .section .text
    .global run
run:                                ; void run(void (*routine)(void))
    .irp r, 2, 3, 4, 5, 6, 7, 8, 9, 10, 11, 12, 13, 14, 15, 16, 17, 28, 29
    push r\\r
    .endr
    ldi r18, lo8(gs(leave))
    push r18
    ldi r18, hi8(gs(leave))
    push r18
#ifdef __AVR_3_BYTE_PC__
    push r1
#endif
    push r24
    push r25
#ifdef __AVR_3_BYTE_PC__
    push r1
#endif
    lds r0, state+32
    out _SFR_IO_ADDR(SREG), r0
    .irp r, 0, 1, 2, 3, 4, 5, 6, 7, 8, 9, 10, 11, 12, 13, 14, 15, 16, 17, 18, 19, 20, 21, 22, 23, 24, 25, 26, 27, 28
    lds r\\r, state+\\r
    .endr
    lds r29, state+29
    lds r30, state+30
    lds r31, state+31
    ret
leave:
    .irp r, 0, 1, 2, 3, 4, 5, 6, 7, 8, 9, 10, 11, 12, 13, 14, 15, 16, 17, 18, 19, 20, 21, 22, 23, 24, 25, 26, 27, 28
    sts state+\\r, r\\r
    .endr
    sts state+29, r29
    sts state+30, r30
    sts state+31, r31
    in r0, _SFR_IO_ADDR(SREG)
    sts state+32, r0
    clr r1
    .irp r, 29, 28, 17, 16, 15, 14, 13, 12, 11, 10, 9, 8, 7, 6, 5, 4, 3, 2
    pop r\\r
    .endr
    ret
table:
{table}
"""

FRAME = """\
#include <avr/io.h>
#include <avr/pgmspace.h>
#include <stdint.h>
#include <string.h>

uint8_t state[33];
uint8_t buffer[{buffer}];
void run(void (*routine)(void));
{declarations}
static const uint8_t states[][33] PROGMEM = {{
{states}
}};
static void (*const routines[])(void) PROGMEM = {{ {names} }};

static void put(char c)
{{
    while (!(UCSR0A & _BV(UDRE0)))
        ;
    UDR0 = c;
}}

static void hex(uint8_t byte)
{{
    put("0123456789abcdef"[byte >> 4]);
    put("0123456789abcdef"[byte & 15]);
}}

int main(void)
{{
    UBRR0 = 0;
    UCSR0A = _BV(U2X0);
    UCSR0B = _BV(TXEN0);
    for (uint8_t n = 0; n < sizeof routines / sizeof routines[0]; n++) {{
        uint16_t sum = 0;
        memcpy_P(state, states[n], sizeof state);
        for (uint8_t k = 0; k < sizeof buffer; k++)
            buffer[k] = k * 7 + n;
        run((void (*)(void))pgm_read_word(&routines[n]));
        for (uint8_t k = 0; k < sizeof buffer; k++)
            sum = (sum << 1 | sum >> 15) + buffer[k];
        hex(n);
        put(' ');
        for (uint8_t k = 0; k < sizeof state; k++)
            hex(state[k]);
        put(' ');
        hex(sum >> 8);
        hex(sum);
        put('\\n');
    }}
    put('E'), put('N'), put('D'), put('\\n');
    for (;;)
        ;
}}
"""

TWO = ("add", "adc", "sub", "sbc", "and", "or", "eor", "cp", "cpc", "mov", "mul")
CONSTANT = ("subi", "sbci", "andi", "ori", "cpi", "ldi")
ONE = ("com", "neg", "inc", "dec", "lsr", "ror", "asr", "swap")
POINTERS = {"X": 26, "Y": 28, "Z": 30}


class Sequence:
    """The lines of one routine, which has a small one of its own to call."""

    def __init__(self, choose: random.Random, name: str, length: int, *, is_large: bool) -> None:
        self._choose, self._name, self._is_large = choose, name, is_large
        self._labels = 0
        self.lines: list[str] = []
        kinds: list[Callable[[], None]] = [
            *(self._arithmetic,) * 8,
            self._skip,
            self._branch,
            self._load,
            self._store,
            self._direct,
            self._stack,
            self._flash,
            self._jump,
            self._status,
        ]
        while len(self.lines) < length:
            choose.choice(kinds)()
        # QEMU 7.2 goes wrong on a skip instruction before a RET.
        self._add("nop", "ret", f"{name}_near:", "inc r5", "ror r6", "nop", choose.choice(("ret", "reti")))

    def _label(self) -> str:
        self._labels += 1
        return str(self._labels)

    def _register(self, low: int = 0, high: int = 31) -> str:
        return f"r{self._choose.randint(low, high)}"

    def _add(self, *lines: str) -> None:
        self.lines.extend(lines)

    def _plain(self) -> str:
        """One instruction that only computes."""
        choose = self._choose
        form = choose.randrange(8)
        if form < 3:
            return f"{choose.choice(TWO)} {self._register()}, {self._register()}"
        if form == 3:
            constant = choose.choice((0, 1, 0x7F, 0x80, 0xFF, choose.randrange(256)))
            return f"{choose.choice(CONSTANT)} {self._register(16)}, {constant}"
        if form == 4:
            return f"{choose.choice(ONE)} {self._register()}"
        if form == 5:
            constant = choose.choice((0, 1, 63, choose.randrange(64)))
            return f"{choose.choice(('adiw', 'sbiw'))} r{choose.choice((24, 26, 28, 30))}, {constant}"
        if form == 6:
            signed = choose.choice(("muls", "mulsu", "fmul", "fmuls", "fmulsu", "movw"))
            if signed == "movw":
                return f"movw r{2 * choose.randrange(16)}, r{2 * choose.randrange(16)}"
            high = 31 if signed == "muls" else 23
            return f"{signed} {self._register(16, high)}, {self._register(16, high)}"
        bit = choose.randrange(8)
        return choose.choice(
            (
                f"bst {self._register()}, {bit}",
                f"bld {self._register()}, {bit}",
                f"bset {bit % 7}",
                f"bclr {bit % 7}",
            )
        )

    def _arithmetic(self) -> None:
        self._add(self._plain())

    def _place(self, span: int = 1) -> int:
        return self._choose.randint(1, BUFFER_BYTES - 1 - span)

    def _point(self, pointer: str, place: int) -> None:
        low = POINTERS[pointer]
        self._add(f"ldi r{low}, lo8(buffer+{place})", f"ldi r{low + 1}, hi8(buffer+{place})")

    def _other_register(self, pointer: str) -> str:
        # Loading or storing a pointer's own half while it moves is undefined: DS40002198, pages of LD and ST.
        low = POINTERS[pointer]
        return f"r{self._choose.choice([n for n in range(32) if n not in (low, low + 1)])}"

    def _access(self) -> tuple[str, str]:
        """Points a pointer into the buffer and gives it with a way to use it."""
        pointer = self._choose.choice("XYZ")
        forms = [pointer, f"{pointer}+", f"-{pointer}"]
        displacement = self._choose.choice((0, 1, 63, self._choose.randrange(64)))
        if pointer != "X":
            forms += [f"{pointer}+{displacement}"] * 2
        self._point(pointer, self._place(64))
        return pointer, self._choose.choice(forms)

    def _load(self) -> None:
        pointer, form = self._access()
        mnemonic = "ldd" if form[-1].isdigit() else "ld"
        self._add(f"{mnemonic} {self._other_register(pointer)}, {form}")

    def _store(self) -> None:
        pointer, form = self._access()
        mnemonic = "std" if form[-1].isdigit() else "st"
        self._add(f"{mnemonic} {form}, {self._other_register(pointer)}")

    def _direct(self) -> None:
        self._add(self._two_words())

    def _two_words(self) -> str:
        place = f"buffer+{self._place()}"
        return self._choose.choice((f"lds {self._register()}, {place}", f"sts {place}, {self._register()}"))

    def _skip(self) -> None:
        choose = self._choose
        bit = choose.randrange(8)
        self._add(
            choose.choice(
                (
                    f"cpse {self._register()}, {self._register()}",
                    f"sbrc {self._register()}, {bit}",
                    f"sbrs {self._register()}, {bit}",
                )
            )
        )
        self._add(self._two_words() if choose.random() < 0.4 else self._plain())
        self._add(self._plain())

    def _branch(self) -> None:
        label = self._label()
        self._add(f"{self._choose.choice(('brbs', 'brbc'))} {self._choose.randrange(8)}, {label}f")
        self._add(*(self._plain() for _ in range(self._choose.randint(0, 3))), f"{label}:")

    def _stack(self) -> None:
        self._add(f"push {self._register()}", self._plain(), f"pop {self._register()}")

    def _flash(self) -> None:
        # With RAMPZ at 0: QEMU 7.2 leaves it out of the address.
        extended = self._choose.choice(("", "e")) if self._is_large else ""
        form = extended + self._choose.choice(("lpm", "lpm {r}, Z", "lpm {r}, Z+"))
        place = self._choose.randrange(256)
        self._add(f"ldi r30, lo8(table+{place})", f"ldi r31, hi8(table+{place})")
        self._add(form.format(r=self._other_register("Z")))

    def _jump(self) -> None:
        choose, label = self._choose, self._label()
        form = choose.randrange(5)
        if form == 0:
            self._add(f"rjmp {label}f", self._plain(), f"{label}:")
        elif form == 1:
            self._add(f"jmp {label}f", self._plain(), f"{label}:")
        elif form == 2:
            self._add(f"{choose.choice(('rcall', 'call'))} {self._name}_near")
        else:
            instruction, target = ("ijmp", f"{label}f") if form == 3 else ("icall", f"{self._name}_near")
            extended = choose.choice(("", "e")) if self._is_large else ""
            self._add(f"ldi r30, lo8(gs({target}))", f"ldi r31, hi8(gs({target}))", extended + instruction)
            if form == 3:
                self._add(self._plain(), f"{label}:")

    def _status(self) -> None:
        choose = self._choose
        self._add(
            choose.choice(
                (
                    f"in {self._register()}, 0x3f",
                    f"out 0x3f, {self._register()}",
                    f"in {self._register()}, 0x3d",
                    f"in {self._register()}, 0x3e",
                    f"lds {self._register()}, 0x5f",
                    f"sts 0x5f, {self._register()}",
                    "wdr",
                    "nop",
                )
            )
        )


def sources(seed: int, count: int, length: int, *, is_large: bool) -> tuple[str, str]:
    """The C and the assembly text of an image with `count` sequences of at least `length` instructions.

    `is_large` is for a part with ELPM and a 22-bit program counter.
    """
    choose = random.Random(seed)
    edges = (0x00, 0x01, 0x7F, 0x80, 0xFF)
    table = ", ".join(str(choose.randrange(256)) for _ in range(258))
    assembly = [ASSEMBLY.format(table=f"    .byte {table}")]
    states = []
    for n in range(count):
        sequence = Sequence(choose, f"s{n}", length, is_large=is_large)
        assembly += [f"    .global s{n}", f"s{n}:", *(f"    {line}" for line in sequence.lines)]
        state = [choose.choice(edges) if choose.random() < 0.3 else choose.randrange(256) for _ in range(33)]
        states.append(f"    {{ {', '.join(map(str, state))} }},")
    frame = FRAME.format(
        buffer=BUFFER_BYTES,
        declarations="".join(f"void s{n}(void);\n" for n in range(count)),
        states="\n".join(states),
        names=", ".join(f"s{n}" for n in range(count)),
    )
    assert END == b"END\n"
    return frame, "\n".join(assembly) + "\n"
