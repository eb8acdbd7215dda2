"""Where a serial port has its registers, bits and vectors: their names differ between the parts."""

from collections.abc import Iterable
from dataclasses import dataclass

from cyclerule.parts.part import Part

SUFFIXES = ("", "0", "1", "2", "3")


def serial_ports(part: Part) -> list[str]:
    """Gives the suffix of each serial port's registers, the first port first: "" for UDR, "1" for UDR1."""
    return [suffix for suffix in SUFFIXES if f"UDR{suffix}" in part.registers]


@dataclass(frozen=True)
class UsartRegisters:
    """The registers of one serial port as data addresses, its bits as positions, its vectors as numbers.

    None is what the part lacks. A port without the third control register is a UART, the older kind with a receive
    buffer of one byte (AT90S8515 datasheet 0841G, "UART"; ATmega163). `high_shift` is the place of the port's part in
    a UBRRH that two ports share (ATmega161 datasheet 1228B, "UBRRHI").
    """

    suffix: str
    data: int | None
    status: int | None
    control: int | None
    frame: int | None
    low: int | None
    high: int | None
    high_shift: int
    double: int | None
    select: int | None
    ninth: int | None
    kept_status: int
    has_spi: bool
    power_bit: str
    receive_vector: int | None
    empty_vector: int | None
    complete_vector: int | None

    @classmethod
    def of(cls, part: Part, suffix: str) -> "UsartRegisters":
        """Finds them by their names in the device header."""
        n, is_first = suffix, suffix in ("", "0")
        plain = ("",) if is_first else ()

        def register(*names: str) -> int | None:
            known = (part.registers[name].address for name in names if name in part.registers)
            return next(known, None)

        def bit(name: str) -> int | None:
            # UCSZ02 and MPCM0, but UCSZ2 and MPCM on parts with one port; a port's bits have the same place in all.
            numbered = f"UCSZ{n}2" if name == "UCSZ2" else name + n
            return part.bits.get(numbered, part.bits.get(name))

        def vector(*events: str) -> int | None:
            # The ATmega169 has UDR, but USART0_UDRE.
            numbers = (n, "", "0") if is_first else (n,)
            devices = [f"{kind}{number}" for kind in ("USART", "UART", "SIG_UART") for number in numbers]
            return _first(part.vectors, (f"{device}_{event}" for device in devices for event in events))

        high = register(f"UBRR{n}H", *(f"UBRRH{each}" for each in plain), *(f"UBRRHI{each}" for each in plain))
        shift = 0
        if high is None and n == "1":
            high, shift = register("UBRRH", "UBRRHI"), 4
        double, multi = bit("U2X"), bit("MPCM")
        # Bit 0 of UCSRnA is kept too; with U2X it is all of that register that a program can write.
        kept = 0 if double is None else 1 << double | 1 << (multi or 0)
        return cls(
            suffix=n,
            data=register(f"UDR{n}"),
            status=register(f"UCSR{n}A", *(f"{name}" for name in ("UCSRA", "USR") if is_first)),
            control=register(f"UCSR{n}B", *(f"{name}" for name in ("UCSRB", "UCR") if is_first)),
            frame=register(f"UCSR{n}C", *(f"UCSRC{each}" for each in plain)),
            low=register(f"UBRR{n}L", *(f"UBRRL{each}" for each in plain), f"UBRR{n}"),
            high=high,
            high_shift=shift,
            double=double,
            select=bit("URSEL"),
            ninth=_either(bit("UCSZ2"), bit("CHR9")),
            kept_status=kept,
            has_spi=f"UCPHA{n}" in part.bits or f"UMSEL{n}1" in part.bits,
            power_bit=next((name for name in (f"PRUSART{n}", f"PRUSART{n or 0}") if name in part.bits), ""),
            receive_vector=vector("RX", "RXC", "RECV"),
            empty_vector=vector("UDRE", "DRE", "DATA"),
            complete_vector=vector("TX", "TXC", "TRANS"),
        )

    @property
    def number(self) -> int:
        """The port's number; 0 for a port without one."""
        return int(self.suffix or "0")

    @property
    def is_uart(self) -> bool:
        """Whether this is the older kind, with one byte of receive buffer and no choice of frame."""
        return self.frame is None


def _either(first: int | None, second: int | None) -> int | None:
    return second if first is None else first


def _first(vectors: object, names: Iterable[str]) -> int | None:
    found = vectors if isinstance(vectors, dict) else {}
    return next((found[name] for name in names if name in found), None)
