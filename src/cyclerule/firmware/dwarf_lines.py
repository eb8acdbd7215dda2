"""Source files and lines from debug information."""

import ntpath
import posixpath
import re
from dataclasses import dataclass
from typing import TYPE_CHECKING

from cyclerule.firmware.damage import debug_damage_named
from cyclerule.firmware.dwarf_entries import Entries, Unit
from cyclerule.firmware.image import LineRow, LineTable

if TYPE_CHECKING:
    from elftools.dwarf.lineprogram import LineProgram

_WINDOWS_PATH = re.compile(r"[A-Za-z]:[\\/]|\\\\")


@dataclass(frozen=True)
class SourceFile:
    """A source file: its name as the user gave it to the compiler, and from the root on."""

    name: str
    absolute: str


class SourceFiles:
    """The files and lines of all units, each unit's read once."""

    def __init__(self, entries: Entries) -> None:
        self._entries = entries
        self._files: dict[int, list[SourceFile | None]] = {}

    def file(self, unit: Unit, index: int | None) -> SourceFile | None:
        """Gives the file with that number in the unit's table; None where there is none."""
        if index is None:
            return None
        files = self._unit_files(unit)
        return files[index] if 0 <= index < len(files) else None

    def lines(self) -> LineTable:
        """Gives the rows of all units, stretch by stretch in order of address."""
        sequences: list[list[LineRow]] = []
        seen: set[int] = set()
        for unit in self._entries.units:
            offset = unit.entry.number("DW_AT_stmt_list")
            if offset is None or offset in seen:
                continue
            seen.add(offset)
            with self._entries.noting(f"line numbers of {unit.entry.text('DW_AT_name') or 'a unit without a name'}"):
                program = self._program(unit)
                if program is not None:
                    sequences += self._sequences(unit, program)
        sequences.sort(key=lambda rows: rows[0].address)
        paths = {f.name: f.absolute for files in self._files.values() for f in reversed(files) if f is not None}
        return LineTable((row for rows in sequences for row in rows), paths)

    def _program(self, unit: Unit) -> "LineProgram | None":
        info = self._entries.info
        if info is None or info.debug_line_sec is None:
            return None
        return info.line_program_for_CU(unit.cu)

    def _unit_files(self, unit: Unit) -> list[SourceFile | None]:
        key = unit.entry.offset
        if key not in self._files:
            self._files[key] = []
            with self._entries.noting(f"source files of {unit.entry.text('DW_AT_name') or 'a unit without a name'}"):
                program = self._program(unit)
                if program is not None:
                    self._files[key] = _files(program, unit.directory)
        return self._files[key]

    def _sequences(self, unit: Unit, program: "LineProgram") -> list[list[LineRow]]:
        with debug_damage_named("line number program"):
            states = [entry.state for entry in program.get_entries() if entry.state is not None]
        unknown = SourceFile("??", "??")
        sequences: list[list[LineRow]] = []
        rows: list[LineRow] = []
        for state in states:
            file = self.file(unit, state.file) or unknown
            rows.append(
                LineRow(state.address, file.name, state.line, state.column, bool(state.is_stmt), state.end_sequence)
            )
            if state.end_sequence:
                sequences.append(rows)
                rows = []
        return [rows for rows in sequences if rows[0].address < rows[-1].address and not self._is_dropped(unit, rows)]

    def _is_dropped(self, unit: Unit, rows: list[LineRow]) -> bool:
        """Says whether a stretch belongs to a function that the linker left out: it then claims to begin at 0."""
        if rows[0].address != 0:
            return False
        has_addresses = unit.entry.has("DW_AT_ranges") or unit.entry.has("DW_AT_high_pc")
        return has_addresses and not any(start == 0 for start, _ in self._entries.ranges(unit.entry))


def _files(program: "LineProgram", directory: str) -> list[SourceFile | None]:
    header = program.header
    directories = [_text(d) for d in header.get("include_directory") or ()]
    files: list[SourceFile | None] = []
    if header["version"] < 5:
        # Before DWARF 5 both tables count from 1: file 0 is none, directory 0 is the one the compiler ran in.
        files.append(None)
        directories.insert(0, "")
    elif directories:
        directories[0] = ""
    for entry in header.get("file_entry") or ():
        name, index = _text(entry.name), entry.get("dir_index") or 0
        given = _join(directories[index] if index < len(directories) else "", name)
        files.append(SourceFile(given, _join(directory, given)))
    return files


def _text(name: bytes | None) -> str:
    return "" if name is None else name.decode("utf-8", "replace")


def _join(directory: str, name: str) -> str:
    """Joins as the system does that the program was built on, which need not be this one."""
    if _WINDOWS_PATH.match(name) or not directory:
        return name
    if _WINDOWS_PATH.match(directory):
        return ntpath.join(directory, name)
    return posixpath.join(directory, name)
