"""Kinds of operand: how the bits of a field read as a register, a constant or a distance, and how they are written.

An instruction names the kind of each operand by the annotation of its parameter, which has the
field's letter as its name. Kinds read both ways: `value` from bits, `bits` from a value.
"""

from typing import TypeAlias


class OperandKind:
    """How the bits of one field are read; `offset` and `scale` make a register number of them."""

    def __init__(self, name: str, *, offset: int = 0, scale: int = 1, signed: bool = False) -> None:
        self.name, self.offset, self.scale, self.signed = name, offset, scale, signed

    def value(self, bits: int, width: int) -> int:
        """Gives the operand's value for its bits."""
        if self.signed and bits >> (width - 1):
            bits -= 1 << width
        return bits * self.scale + self.offset

    def bits(self, value: int, width: int) -> int:
        """Gives the bits for a value; ValueError when the value has none."""
        bits, rest = divmod(value - self.offset, self.scale)
        if self.signed and -(1 << (width - 1)) <= bits < 0:
            bits += 1 << width
        if rest or not 0 <= bits < 1 << width or self.value(bits, width) != value:
            raise ValueError(f"{value} is no {self.name}")
        return bits

    def __repr__(self) -> str:
        return self.name


# The aliases are what instructions annotate with; KINDS finds the kind behind each by the alias's name.
Register: TypeAlias = int
UpperRegister: TypeAlias = int
MiddleRegister: TypeAlias = int
EvenRegister: TypeAlias = int
PairRegister: TypeAlias = int
TinyRegister: TypeAlias = int
Constant: TypeAlias = int
BitNumber: TypeAlias = int
FlagNumber: TypeAlias = int
IoAddress: TypeAlias = int
Distance: TypeAlias = int
FlashTarget: TypeAlias = int
DataTarget: TypeAlias = int
TinyDataTarget: TypeAlias = int
Displacement: TypeAlias = int
RoundNumber: TypeAlias = int


class _TinyDataKind(OperandKind):
    """The 7-bit address of the one-word LDS and STS: bit 8 of the address is not bit 6's neighbour but its opposite."""

    def value(self, bits: int, width: int) -> int:
        # DS40002198 sec. 6.70 "LDS (AVRrc)": ADDR[7:0] = (~INST[8], INST[8], INST[10], INST[9], INST[3:0]).
        b8, b10, b9 = bits >> 4 & 1, bits >> 6 & 1, bits >> 5 & 1
        return (b8 ^ 1) << 7 | b8 << 6 | b10 << 5 | b9 << 4 | bits & 15

    def bits(self, value: int, width: int) -> int:
        for bits in range(1 << width):
            if self.value(bits, width) == value:
                return bits
        raise ValueError(f"{value} is no {self.name}")


KINDS = {
    "Register": OperandKind("register r0 to r31"),
    "UpperRegister": OperandKind("register r16 to r31", offset=16),
    "MiddleRegister": OperandKind("register r16 to r23", offset=16),
    "EvenRegister": OperandKind("even register r0 to r30", scale=2),
    "PairRegister": OperandKind("register r24, r26, r28 or r30", offset=24, scale=2),
    "Constant": OperandKind("constant"),
    "BitNumber": OperandKind("bit number 0 to 7"),
    "FlagNumber": OperandKind("flag number 0 to 7"),
    "IoAddress": OperandKind("I/O address"),
    "Distance": OperandKind("distance in words", signed=True),
    "FlashTarget": OperandKind("flash word"),
    "DataTarget": OperandKind("data address"),
    "TinyDataTarget": _TinyDataKind("data address 0x40 to 0xBF"),
    "Displacement": OperandKind("displacement 0 to 63"),
    "RoundNumber": OperandKind("round 0 to 15"),
}
