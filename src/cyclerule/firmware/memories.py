"""The chip's memories while they are filled from a file."""

from itertools import pairwise
from pathlib import Path

from cyclerule.errors import FirmwareError
from cyclerule.firmware.image import Range, Space

# ELF and HEX files of avr-gcc keep the separate memories apart by adding these to addresses
# (binutils, ld/scripttempl/avr.sc).
DATA_OFFSET = 0x800000
EEPROM_OFFSET = 0x810000
_SPACES: tuple[tuple[int, Space], ...] = (
    (0x840000, "signature"),
    (0x830000, "lock"),
    (0x820000, "fuse"),
    (EEPROM_OFFSET, "eeprom"),
    (DATA_OFFSET, "data"),
    (0, "flash"),
)
_SPACES_END = 0x860000

_FILE_LIMIT = 64 * 1024 * 1024


def space_at(address: int) -> tuple[Space, int] | None:
    """Gives the memory that a file's address is in and the address there; None for one beyond all of them."""
    if not 0 <= address < _SPACES_END:
        return None
    return next((space, address - start) for start, space in _SPACES if address >= start)


def read_file(path: Path) -> bytes:
    """Reads a firmware file whole; raises FirmwareError where that cannot be."""
    try:
        if path.stat().st_size > _FILE_LIMIT:
            raise FirmwareError(f"{path} has {path.stat().st_size} bytes; a firmware file has at most {_FILE_LIMIT}")
        return path.read_bytes()
    except OSError as error:
        raise FirmwareError(f"{path} cannot be read: {error.strerror or error}") from error


class Memory:
    """A memory being filled from a file: refuses what lies outside it and what is given twice."""

    def __init__(self, name: str, limit: int) -> None:
        self._name, self._limit = name, limit
        self._pieces: list[tuple[int, bytes]] = []

    def write(self, address: int, contents: bytes, where: str) -> None:
        """Adds contents at a byte address; raises FirmwareError, with `where` in it, past the memory's end."""
        end = address + len(contents)
        if end > self._limit:
            raise FirmwareError(f"{where}: contents up to 0x{end:x}, but {self._name} ends before 0x{self._limit:x}")
        if contents:
            self._pieces.append((address, contents))

    def overlap(self) -> int | None:
        """Gives the first address that was written twice."""
        ordered = sorted((address, address + len(contents)) for address, contents in self._pieces)
        return next((b[0] for a, b in pairwise(ordered) if b[0] < a[1]), None)

    def used(self) -> tuple[Range, ...]:
        """Gives the ranges that were written, in order, neighbours joined."""
        return join_ranges([(address, address + len(contents)) for address, contents in self._pieces])

    def contents(self) -> bytes:
        """Gives the memory from byte 0 to the last byte written, unwritten bytes 0xFF as erased flash reads."""
        at = self.overlap()
        if at is not None:
            raise ValueError(f"two parts of it both fill {self._name} at 0x{at:04x}")
        memory = bytearray(b"\xff" * max((address + len(piece) for address, piece in self._pieces), default=0))
        for address, piece in self._pieces:
            memory[address : address + len(piece)] = piece
        return bytes(memory)


def join_ranges(ranges: list[Range]) -> tuple[Range, ...]:
    """Gives the same bytes as ranges in order that neither touch nor overlap."""
    joined: list[Range] = []
    for start, end in sorted(r for r in ranges if r[0] < r[1]):
        if joined and start <= joined[-1][1]:
            joined[-1] = (joined[-1][0], max(joined[-1][1], end))
        else:
            joined.append((start, end))
    return tuple(joined)
