"""Functions of the C library in a program: code without debug information of its own."""

from pathlib import Path

import cyclerule as cr

# With a constant radix the header's inline itoa() calls __itoa_ncheck(), which it declares inside its own body.
PROGRAM = "#include <stdlib.h>\nchar digits[20];\nint main(void) { itoa(12345, digits, 10); for (;;); }\n"


def test_a_function_that_the_header_declares_inside_another_is_the_librarys_one(tmp_path: Path) -> None:
    """avr-libc's stdlib.h, itoa(): avr-gcc 5.4 tells of __itoa_ncheck() as if it were the program's own."""
    source = tmp_path / "digits.c"
    source.write_text(PROGRAM, encoding="utf-8")
    firmware = cr.build([source], part="atmega8")
    names = [name for name in firmware.functions if "__itoa_ncheck" in name]
    assert names == ["__itoa_ncheck"]
    assert firmware.functions["__itoa_ncheck"].address is not None
    firmware.declare("char *__itoa_ncheck(int, char *, unsigned char)")
    call = firmware.call("__itoa_ncheck", 12345, cr.out(7), 10)
    assert call.arguments[1] == b"12345\0\0"
