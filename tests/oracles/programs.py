"""Generates C programs that compute something and print the state they end in.

Each program has variables, arrays, a table in flash, a structure with bit fields, and functions of its own, and goes
through expressions of all widths, loops, branches, switches, pointers and calls through pointers, as its seed has it.
Several programs make one image. What C leaves undefined (an overflow, say) may occur: whoever compares two machines
runs the same image on both.
"""

import random
from collections.abc import Sequence
from dataclasses import dataclass

TYPES = ("uint8_t", "int8_t", "uint16_t", "int16_t", "uint32_t", "int32_t", "uint64_t", "int64_t")
BITS = {name: int(name.strip("uint_")) for name in TYPES}

# Printing is quick, 10 bits of 8 cycles a byte, so that what is printed and not the printing takes the time.
FRAME = """\
#include <avr/io.h>
#include <avr/pgmspace.h>
#include <setjmp.h>
#include <stdarg.h>
#include <stdint.h>
#include <stdlib.h>
#include <string.h>

#define APART __attribute__((noinline))

static void put(char c)
{
    while (!(UCSR0A & _BV(UDRE0)))
        ;
    UDR0 = c;
}

static APART void text(const char *s)
{
    char c;
    while ((c = pgm_read_byte(s++)))
        put(c);
}

static APART void hex(const void *value, uint8_t bytes)
{
    const uint8_t *p = value;
    put(' ');
    while (bytes--) {
        put("0123456789abcdef"[p[bytes] >> 4]);
        put("0123456789abcdef"[p[bytes] & 15]);
    }
}

#define SHOW(x) hex(&(x), sizeof(x))

"""

MAIN = """\
int main(void)
{{
    UBRR0 = 0;
    UCSR0A = _BV(U2X0);
    UCSR0B = _BV(TXEN0);
{calls}
    text(PSTR("END\\n"));
    for (;;)
        ;
}}
"""

END = b"END\n"


@dataclass(frozen=True)
class Variable:
    """Something of one type that an expression may read and a statement may write."""

    text: str
    type: str


class Program:
    """One program: its text, and the name of the function that runs it and prints its state."""

    def __init__(self, seed: int) -> None:
        choose = self._choose = random.Random(seed)
        self.name = f"p{seed}"
        self._lines: list[str] = []
        self._loops = 0
        self._globals = [Variable(f"{self.name}_g{n}", choose.choice(TYPES)) for n in range(choose.randint(3, 6))]
        self._array = Variable(f"{self.name}_array", choose.choice(TYPES[:6]))
        self._table = Variable(f"{self.name}_table", choose.choice(TYPES[:6]))
        self._fields = [Variable(f"f{n}", choose.choice(TYPES[:6])) for n in range(choose.randint(2, 4))]
        self._helper_type = choose.choice(TYPES[:6])
        self._has_float = choose.random() < 0.4
        self._readable: list[Variable] = []
        self._has_helpers = False
        self.text = self._write()

    # The parts of the text.

    def _write(self) -> str:
        choose, name = self._choose, self.name
        self._declare()
        helpers = [self._helper(n) for n in range(choose.randint(2, 4))]
        pointer = f"{self._helper_type} (*const {name}_calls[{len(helpers)}])({self._helper_type}, {self._helper_type})"
        self._add(f"static {pointer} = {{ {', '.join(helpers)} }};", "")
        self._helpers = len(helpers)
        self._by_value()
        self._recursive()
        self._variadic()
        self._jumping()
        self._has_helpers = True
        self._add(f"static APART void {name}(void)", "{")
        inner = [Variable(f"v{n}", choose.choice(TYPES)) for n in range(choose.randint(2, 4))]
        for each in inner:
            self._add(f"    {each.type} {each.text} = {self._literal(each.type)};")
        self._add(f'    text(PSTR("{name}"));')
        self._readable = [*self._globals, *inner, *(Variable(f"{name}_s.{f.text}", f.type) for f in self._fields)]
        for _ in range(choose.randint(5, 9)):
            self._statement(1, depth=0)
        if self._has_float:
            self._floats()
        self._special_calls()
        for each in [*self._globals, *inner]:
            self._add(f"    SHOW({each.text});")
        self._add(f"    SHOW({self._array.text});", f"    SHOW({name}_s);", "    put('\\n');", "}", "")
        return "\n".join(self._lines)

    def _declare(self) -> None:
        choose, name = self._choose, self.name
        fields = " ".join(f"{f.type} {f.text};" for f in self._fields)
        self._add(f"struct {name}_t {{ {fields} uint8_t low : 3; int8_t middle : 4; uint16_t high : 9; }};")
        values = ", ".join(str(self._number(BITS[f.type])) for f in self._fields)
        self._add(f"static struct {name}_t {name}_s = {{ {values}, 5, -3, 300 }};")
        for each in self._globals:
            volatile = choose.choice(("", "", "volatile "))
            self._add(f"static {volatile}{each.type} {each.text} = {self._literal(each.type)};")
        for each, space in ((self._array, ""), (self._table, " PROGMEM")):
            constant = "const " if space else ""
            values = ", ".join(self._literal(each.type) for _ in range(8))
            self._add(f"static {constant}{each.type} {each.text}[8]{space} = {{ {values} }};")
        self._add("")

    def _helper(self, number: int) -> str:
        helper, kind = f"{self.name}_h{number}", self._helper_type
        apart = self._choose.choice(("", "APART "))
        self._readable = [Variable("a", kind), Variable("b", kind), *self._globals[:2]]
        self._add(f"static {apart}{kind} {helper}({kind} a, {kind} b)", "{")
        if self._choose.random() < 0.5:
            self._statement(1, depth=2)
        self._add(f"    return {self._expression(kind, 3)};", "}", "")
        return helper

    def _by_value(self) -> None:
        name = self.name
        field = self._choose.choice(self._fields)
        self._add(
            f"static APART struct {name}_t {name}_moved(struct {name}_t s, uint8_t by)",
            "{",
            f"    s.{field.text} += by;",
            "    s.low ^= by;",
            "    s.middle -= by;",
            "    s.high += s.low;",
            "    return s;",
            "}",
            "",
        )

    def _recursive(self) -> None:
        kind = self._choose.choice(TYPES[:6])
        self._recursive_type = kind
        operator = self._choose.choice(("+", "^", "-"))
        self._add(
            f"static APART {kind} {self.name}_deep(uint8_t n, {kind} so_far)",
            "{",
            f"    return n ? ({kind})({self.name}_deep(n - 1, so_far {operator} n) {operator} n) : so_far;",
            "}",
            "",
        )

    def _variadic(self) -> None:
        self._add(
            f"static APART int32_t {self.name}_total(uint8_t n, ...)",
            "{",
            "    int32_t total = 0;",
            "    va_list rest;",
            "    va_start(rest, n);",
            "    while (n--)",
            "        total = total * 3 + va_arg(rest, int);",
            "    va_end(rest);",
            "    return total;",
            "}",
            "",
        )

    def _jumping(self) -> None:
        self._add(
            f"static APART void {self.name}_leave(jmp_buf where, uint8_t n)",
            "{",
            "    if (n == 0)",
            "        longjmp(where, 7);",
            f"    {self.name}_leave(where, n - 1);",
            f"    {self._globals[0].text}++; /* never reached */",
            "}",
            "",
        )

    def _special_calls(self) -> None:
        choose, name = self._choose, self.name
        target = choose.choice(self._globals).text
        self._add(f"    {name}_s = {name}_moved({name}_s, {choose.randrange(256)});")
        if choose.random() < 0.5:
            self._add(f"    {target} += {name}_deep({choose.randint(1, 12)}, {self._literal(self._recursive_type)});")
        if choose.random() < 0.5:
            values = ", ".join(str(self._number(16)) for _ in range(choose.randint(1, 5)))
            self._add(f"    {target} ^= {name}_total({values.count(',') + 1}, {values});")
        if choose.random() < 0.3:
            self._add("    {", "        jmp_buf here;", "        volatile uint8_t jumps = 0;")
            self._add("        uint8_t with = setjmp(here);", "        jumps += with + 1;", "        if (!with)")
            self._add(
                f"            {name}_leave(here, {choose.randint(0, 4)});", f"        {target} += jumps;", "    }"
            )
        if choose.random() < 0.4:
            self._add(f"    memmove({self._array.text} + 1, {self._array.text}, 3 * sizeof *{self._array.text});")

    def _floats(self) -> None:
        choose = self._choose
        value = f"{choose.uniform(-1000, 1000):.4f}f"
        source, target = choose.choice(self._globals).text, choose.choice(self._globals)
        operator = choose.choice("+-*/")
        self._add("    {", f"        volatile float x = {value}, y = (float){source};")
        self._add(f"        x = x {operator} (y + 0.5f);", "        if (x > y || x == 0)", "            y = x - y;")
        # Only what fits: a conversion that does not is undefined, and the compiler may compute it itself.
        self._add("        if (x > -30000 && x < 30000)", f"            {target.text} ^= (int16_t)x;")
        self._add("        SHOW(x);", "        SHOW(y);", "    }")

    # Statements.

    def _add(self, *lines: str) -> None:
        self._lines.extend(lines)

    def _statement(self, indent: int, depth: int) -> None:
        kinds = [self._assignment, self._assignment, self._element, self._branch, self._loop, self._switch]
        if self._has_helpers:
            kinds.append(self._pointer)
        if depth >= 2:
            kinds = [self._assignment, self._element]
        self._choose.choice(kinds)(indent, depth)

    def _assignment(self, indent: int, depth: int) -> None:
        target = self._choose.choice(self._readable)
        operator = self._choose.choice(("=", "=", "+=", "-=", "^=", "|=", "&="))
        self._add(f"{'    ' * indent}{target.text} {operator} {self._expression(target.type, 3)};")

    def _element(self, indent: int, depth: int) -> None:
        place = self._expression("uint8_t", 2)
        value = self._expression(self._array.type, 2)
        self._add(
            f"{'    ' * indent}{self._array.text}[({place}) & 7] {self._choose.choice(('=', '+=', '^='))} {value};"
        )

    def _branch(self, indent: int, depth: int) -> None:
        self._add(f"{'    ' * indent}if ({self._condition(2)}) {{")
        self._statement(indent + 1, depth + 1)
        if self._choose.random() < 0.6:
            self._add(f"{'    ' * indent}}} else {{")
            self._statement(indent + 1, depth + 1)
        self._add(f"{'    ' * indent}}}")

    def _loop(self, indent: int, depth: int) -> None:
        self._loops += 1
        counter, space = f"i{self._loops}", "    " * indent
        kind = self._choose.choice(TYPES[:6])
        times = self._choose.randint(1, 10)
        downwards = self._choose.random() < 0.4
        head = f"{kind} {counter} = {times}; {counter} > 0; {counter}--"
        if not downwards:
            head = f"{kind} {counter} = 0; {counter} < {times}; {counter}++"
        self._add(f"{space}for ({head}) {{")
        self._statement(indent + 1, depth + 1)
        self._add(f"{space}    {self._array.text}[{counter} & 7] += {counter};")
        if self._choose.random() < 0.3:
            self._add(
                f"{space}    if ({self._condition(1)})", f"{space}        {self._choose.choice(('break', 'continue'))};"
            )
            self._statement(indent + 1, depth + 1)
        self._add(f"{space}}}")

    def _switch(self, indent: int, depth: int) -> None:
        space = "    " * indent
        cases = self._choose.sample(range(16), self._choose.randint(3, 9))
        self._add(f"{space}switch (({self._expression('uint8_t', 2)}) & 15) {{")
        for case in cases:
            self._add(f"{space}case {case}:")
            self._assignment(indent + 1, depth)
            if self._choose.random() < 0.7:
                self._add(f"{space}    break;")
        self._add(f"{space}default:")
        self._assignment(indent + 1, depth)
        self._add(f"{space}}}")

    def _pointer(self, indent: int, depth: int) -> None:
        space = "    " * indent
        array = self._array
        self._add(
            f"{space}for ({array.type} *q = {array.text}; q < {array.text} + 8; q += {self._choose.randint(1, 3)})"
        )
        self._add(f"{space}    *q {self._choose.choice(('+=', '^=', '-='))} {self._expression(array.type, 1)};")

    # Expressions.

    def _number(self, bits: int) -> int:
        choose = self._choose
        edges = (0, 1, 2, 3, 7, 10, 100, (1 << bits - 1) - 1, 1 << bits - 1, (1 << bits) - 1)
        value = choose.choice(edges) if choose.random() < 0.4 else choose.randrange(1 << choose.randint(1, bits))
        return value if value < 1 << bits - 1 else value - (1 << bits)

    def _literal(self, kind: str) -> str:
        value = self._number(BITS[kind])
        if value == -(1 << 63):
            value += 1
        return f"({kind}){value}{'LL' if BITS[kind] == 64 else 'L' if BITS[kind] == 32 else ''}"

    def _condition(self, depth: int) -> str:
        kind = self._choose.choice(TYPES)
        operator = self._choose.choice(("<", "<=", "==", "!=", ">", ">="))
        condition = f"{self._expression(kind, depth)} {operator} {self._expression(kind, depth)}"
        if self._choose.random() < 0.2:
            return f"({condition}) {self._choose.choice(('&&', '||'))} ({self._condition(depth - 1 if depth else 0)})"
        return condition

    def _leaf(self, kind: str) -> str:
        choose = self._choose
        if choose.random() < 0.3:
            return self._literal(kind)
        return f"({kind}){choose.choice(self._readable).text}"

    def _expression(self, kind: str, depth: int) -> str:
        """An expression of a type, of operators nested no deeper than `depth`."""
        choose = self._choose
        if depth <= 0 or choose.random() < 0.15:
            return self._leaf(kind)
        if BITS[kind] == 64:
            depth = min(depth, 2)  # each operator is a long piece of code
        left = self._expression(kind, depth - 1)
        form = choose.randrange(20)
        if form < 7:
            return f"({kind})({left} {choose.choice('+-&|^+-')} {self._expression(kind, depth - 1)})"
        if form < 9:
            return self._product(kind, left)
        if form < 11:
            return f"({kind})({left} {choose.choice('/%')} ({kind})({self._expression(kind, depth - 1)} | 1))"
        if form < 13:
            return (
                f"({kind})({left} {choose.choice(('<<', '>>'))} ({self._expression('uint8_t', 1)} & {BITS[kind] - 1}))"
            )
        if form < 14:
            return f"({kind})({left} {choose.choice(('<<', '>>'))} {choose.randrange(BITS[kind])})"
        if form < 15:
            return f"({kind})({choose.choice('~-!')}{left})"
        if form < 16:
            return f"(({self._condition(depth - 1)}) ? {left} : {self._expression(kind, depth - 1)})"
        if form < 17:
            return f"({kind})({self._expression(choose.choice(TYPES), depth - 1)})"
        return self._access(kind, depth)

    def _product(self, kind: str, left: str) -> str:
        # Factors of the product's own width: QEMU 7.2 hangs in libgcc's routine for a signed times an unsigned factor
        # of 16 bits, where a skip instruction stands before a RET.
        if BITS[kind] == 32:
            wide = [v for v in self._readable if BITS[v.type] == 32]
            factors = [choice.text for choice in self._choose.choices(wide, k=2)] if wide else []
            factors = factors or [self._literal(kind), self._literal(kind)]
            return f"({kind})({left} + ({kind}){factors[0]} * ({kind}){factors[1]})"
        return f"({kind})({left} * {self._leaf(kind)})"

    def _access(self, kind: str, depth: int) -> str:
        choose = self._choose
        place = f"({self._expression('uint8_t', depth - 1)}) & 7"
        which = choose.randrange(4 if self._has_helpers else 2)
        if which == 0:
            return f"({kind}){self._array.text}[{place}]"
        if which == 1:
            read = {8: "byte", 16: "word", 32: "dword"}[BITS[self._table.type]]
            return f"({kind})({self._table.type})pgm_read_{read}(&{self._table.text}[{place}])"
        arguments = (
            f"{self._expression(self._helper_type, depth - 1)}, {self._expression(self._helper_type, depth - 1)}"
        )
        if which == 2:
            return f"({kind}){self.name}_calls[({place}) % {self._helpers}]({arguments})"
        return f"({kind}){self.name}_h{choose.randrange(self._helpers)}({arguments})"


def image_text(seeds: Sequence[int]) -> str:
    """The C text of one image with the programs of those seeds."""
    programs = [Program(seed) for seed in seeds]
    calls = "\n".join(f"    {program.name}();" for program in programs)
    return FRAME + "\n".join(program.text for program in programs) + "\n" + MAIN.format(calls=calls)
