"""The calls of avr-libc's benchmark tables: how each is linked, declared and called."""

import math
from collections.abc import Mapping
from dataclasses import dataclass
from pathlib import Path

import cyclerule as cr

# The site is built without builtins, else the compiler computes the calls with constant arguments itself.
FLAGS = ("-fno-builtin",)

SITE = """\
#include <math.h>
#include <stdint.h>
#include <stdio.h>
#include <stdlib.h>

char s[100];
char *p;
int i;
volatile float f;
volatile int n;

"""

MATH = """\
static volatile float a = 1.234, b = 5.678;

int main(void)
{
    f = a + b;
    f = a / b;
    f = asin(a); f = atan2(a, b); f = ceil(a); f = cosh(a); f = fdim(b, a); f = fmax(a, b); f = fmod(b, a);
    f = hypot(a, b); f = log(a); f = modf(a, 0); f = round(a); f = sinh(a); f = tan(a); f = trunc(a);
    for (;;)
        ;
}
"""

CONVERSIONS = """\
int main(void)
{
    n = atoi("12345");
    itoa(12345, s, 10); /* with a constant radix the header calls __itoa_ncheck, which the table measures */
    for (;;)
        ;
}
"""

COMPILED = """\
int cmp(const void *x, const void *y) { return *(const uint8_t *)x - *(const uint8_t *)y; }

int main(void)
{
    dtostre(1.2345, s, 6, 0);
    p = malloc(1);
    qsort(s, sizeof s, 1, cmp);
    sprintf(s, "%d", 12345);
    f = strtod("1.2345", &p);
    sscanf("point,color", "%[a-z]", s);
    for (;;)
        ;
}
"""

SCANNED = """\
int main(void)
{
    sscanf("12345", "%d", &i);
    for (;;)
        ;
}
"""


@dataclass(frozen=True)
class LibraryCall:
    """One row's call: the program that links it, its symbol, prototype and arguments, and what it returns."""

    program: str
    symbol: str
    prototype: str
    arguments: tuple[object, ...]
    returned: float | None = None


def _math(symbol: str, *arguments: float, returned: float) -> LibraryCall:
    parameters = ", ".join(["float"] * len(arguments))
    return LibraryCall(MATH, symbol, f"float {symbol}({parameters})", arguments, returned)


# Returned values are the mathematical ones, by the host's own library; they are told to six digits.
CALLS: Mapping[str, LibraryCall] = {
    "__addsf3 (1.234, 5.678)": _math("__addsf3", 1.234, 5.678, returned=1.234 + 5.678),
    "__divsf3 (1.234, 5.678)": _math("__divsf3", 1.234, 5.678, returned=1.234 / 5.678),
    "asin (0.54321)": _math("asin", 0.54321, returned=math.asin(0.54321)),
    "atan2 (1.234, 5.678)": _math("atan2", 1.234, 5.678, returned=math.atan2(1.234, 5.678)),
    "ceil (1.2345)": _math("ceil", 1.2345, returned=2.0),
    "cosh (1.2345)": _math("cosh", 1.2345, returned=math.cosh(1.2345)),
    "fdim (5.678, 1.234)": _math("fdim", 5.678, 1.234, returned=5.678 - 1.234),
    "fmax (1.234, 5.678)": _math("fmax", 1.234, 5.678, returned=5.678),
    "fmod (5.678, 1.234)": _math("fmod", 5.678, 1.234, returned=math.fmod(5.678, 1.234)),
    "hypot (1.234, 5.678)": _math("hypot", 1.234, 5.678, returned=math.hypot(1.234, 5.678)),
    "log (1.2345)": _math("log", 1.2345, returned=math.log(1.2345)),
    "modf (1.2345, 0)": LibraryCall(MATH, "modf", "float modf(float, float *)", (1.2345, 0), 0.2345),
    "round (1.2345)": _math("round", 1.2345, returned=1.0),
    "sinh (1.2345)": _math("sinh", 1.2345, returned=math.sinh(1.2345)),
    "tan (1.2345)": _math("tan", 1.2345, returned=math.tan(1.2345)),
    "trunc (1.2345)": _math("trunc", 1.2345, returned=1.0),
    'atoi ("12345")': LibraryCall(CONVERSIONS, "atoi", "int atoi(const char *)", ("12345",), 12345),
    "itoa (12345, s, 10)": LibraryCall(
        CONVERSIONS,
        "__itoa_ncheck",
        "char *__itoa_ncheck(int, char *, unsigned char)",
        (12345, cr.address("s"), 10),
    ),
    "dtostre (1.2345, s, 6, 0)": LibraryCall(
        COMPILED,
        "dtostre",
        "char *dtostre(float, char *, unsigned char, unsigned char)",
        (1.2345, cr.address("s"), 6, 0),
    ),
    "malloc (1)": LibraryCall(COMPILED, "malloc", "void *malloc(unsigned int)", (1,)),
    # The page gives neither the array nor the comparison; ours are 100 zero bytes and the difference of two bytes.
    "qsort (s, sizeof(s), 1, cmp)": LibraryCall(
        COMPILED,
        "qsort",
        "void qsort(void *, unsigned int, unsigned int, int (*)(const void *, const void *))",
        (cr.address("s"), 100, 1, cr.function("cmp")),
    ),
    'sprintf (s, "%d", 12345)': LibraryCall(
        COMPILED, "sprintf", "int sprintf(char *, const char *, ...)", (cr.address("s"), "%d", 12345), 5
    ),
    'sscanf_min ("12345", "%d", &i)': LibraryCall(
        SCANNED, "sscanf", "int sscanf(const char *, const char *, ...)", ("12345", "%d", cr.address("i")), 1
    ),
    'sscanf ("point,color", "%[a-z]", s)': LibraryCall(
        COMPILED, "sscanf", "int sscanf(const char *, const char *, ...)", ("point,color", "%[a-z]", cr.address("s")), 1
    ),
    'strtod ("1.2345", &p)': LibraryCall(
        COMPILED, "strtod", "float strtod(const char *, char **)", ("1.2345", cr.address("p")), 1.2345
    ),
}


class Library:
    """Programs that contain the called functions, built once for each part."""

    def __init__(self, folder: Path) -> None:
        self._folder = folder
        self._built: dict[tuple[str, str], cr.Firmware] = {}

    def call(self, text: str, part: str) -> cr.Call:
        """Measures a row's call on a part."""
        wanted = CALLS[text]
        firmware = self._firmware(wanted.program, part)
        firmware.declare(wanted.prototype)
        return firmware.call(wanted.symbol, *wanted.arguments, engine="reference")

    def _firmware(self, program: str, part: str) -> cr.Firmware:
        key = (program, part)
        if key not in self._built:
            source = self._folder / f"site{len(self._built)}.c"
            source.write_text(SITE + program, encoding="utf-8")
            minimal = ("-Wl,-u,vfscanf", "-lscanf_min") if program == SCANNED else ()
            self._built[key] = cr.build([source], part=part, optimize="s", flags=[*FLAGS, *minimal, "-lm"])
        return self._built[key]
