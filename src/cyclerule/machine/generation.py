"""Which generation of the I/O system a part has: the device headers do not say it, so its registers have to tell."""

from cyclerule.parts.part import Part


def has_single_bit_access(part: Part) -> bool:
    """Tells whether CBI and SBI reach one bit alone, and writing 1 to a bit of PINx toggles the output.

    Both came with the ATmega48, AT90CAN128, ATmega169 and ATtiny13: ATmega48A/…/328P datasheet DS40002061A sec. 14.2.2
    ("Toggling the pin") and the note on CBI and SBI under its register summary. Before them CBI and SBI read the
    whole register and write it back, so that a flag that is cleared by a 1 is cleared with it: ATmega161 datasheet
    1228B, "I/O memory".

    UNVERIFIED: that general purpose I/O registers or TCCR0B mark the later generation on parts whose datasheet was not
    read; a part's own datasheet, chapters "I/O ports" and "Register summary", would settle it.
    """
    return any(name in part.registers for name in ("GPIOR0", "GPIOR", "TCCR0B"))
