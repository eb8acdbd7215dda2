"""Bit patterns: "0001 11rd dddd rrrr" as the instruction manual prints them, read both ways."""

from collections.abc import Mapping
from dataclasses import dataclass, field


@dataclass(frozen=True)
class Pattern:
    """The first 16 bits of an instruction, with letters for operand bits, and whether a second word follows.

    Letters of one kind, from left to right, are the bits of that operand from the highest down.
    The second word, where there is one, continues the letter `k`.
    """

    text: str
    words: int = field(init=False)
    mask: int = field(init=False)
    value: int = field(init=False)
    letters: Mapping[str, tuple[int, ...]] = field(init=False, compare=False)

    def __post_init__(self) -> None:
        bits = self.text.replace(" ", "")
        if len(bits) not in (16, 32) or set(bits[16:]) - {"k"}:
            raise ValueError(f"pattern {self.text!r} is neither 16 bits nor 16 bits and a word of k")
        letters: dict[str, list[int]] = {}
        for place, letter in enumerate(bits[:16]):
            if letter not in "01":
                letters.setdefault(letter, []).append(15 - place)
        object.__setattr__(self, "words", len(bits) // 16)
        object.__setattr__(self, "mask", sum(1 << (15 - n) for n, bit in enumerate(bits[:16]) if bit in "01"))
        object.__setattr__(self, "value", sum(1 << (15 - n) for n, bit in enumerate(bits[:16]) if bit == "1"))
        object.__setattr__(self, "letters", {letter: tuple(places) for letter, places in letters.items()})

    def matches(self, word: int) -> bool:
        """Tells whether a first word is of this pattern."""
        return word & self.mask == self.value

    def field_width(self, letter: str) -> int:
        """Gives how many bits an operand has."""
        return len(self.letters.get(letter, ())) + (16 if letter == "k" and self.words == 2 else 0)

    def extract(self, letter: str, word: int, second: int = 0) -> int:
        """Gives an operand's bits out of an instruction."""
        bits = 0
        for place in self.letters.get(letter, ()):
            bits = bits << 1 | word >> place & 1
        return bits << 16 | second if letter == "k" and self.words == 2 else bits

    def insert(self, fields: Mapping[str, int]) -> tuple[int, ...]:
        """Gives the words of an instruction with these operand bits."""
        word = self.value
        tail: tuple[int, ...] = ()
        for letter in sorted({*self.letters, *("k" if self.words == 2 else "")}):
            bits = fields[letter]
            if letter == "k" and self.words == 2:
                tail = (bits & 0xFFFF,)
                bits >>= 16
            for place in reversed(self.letters.get(letter, ())):
                word |= (bits & 1) << place
                bits >>= 1
            if bits:
                raise ValueError(f"{fields[letter]} does not fit field {letter} of {self.text!r}")
        return (word, *tail)
