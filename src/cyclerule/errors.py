"""Every error that cyclerule raises on purpose.

    CycleruleError
    ├── BuildError              the compiler or linker refused, or could not be used
    │   └── CompilerMissing     no avr-gcc was found
    ├── FirmwareError           a file is no usable firmware
    │   └── MarksLost           the compiler left no trace of where something marked begins or ends
    ├── UnknownName             a part, function, register, vector … of that name does not exist
    ├── ArgumentError           a value, domain or option does not fit
    │   └── DomainTooLarge      the domain would take the engine too long to cover
    ├── RunawayError            a run passed its cycle limit, waits for ever or left its caller
    ├── FaultError              the program did what the chip cannot do
    │   ├── UnknownInstruction  a word that is no instruction of the family was reached
    │   └── NotModelled         the program needs something of the chip that the model does not have
    ├── BoundError              a worst case was not proved
    └── BoardError              the board or its port does not answer

Each carries the exit status of the command line: 2 the command was wrong, 3 the build failed,
4 not decided, 5 board or port.
"""

from collections.abc import Iterable

LISTED_NAMES = 12
"""Up to so many names are all listed where none is near the one asked for."""


class CycleruleError(Exception):
    """The root of all errors raised on purpose; its text says what, where and what to try."""

    exit_status: int = 2


class BuildError(CycleruleError):
    """The compiler or linker refused; the text has its own words, `command` the command that was run."""

    exit_status = 3

    def __init__(self, message: str, *, command: tuple[str, ...] = ()) -> None:
        super().__init__(message)
        self.command = command


class CompilerMissing(BuildError):
    """No avr-gcc was found in any of the places looked at."""


class FirmwareError(CycleruleError):
    """A file is not usable as firmware: no AVR ELF, truncated, inconsistent or too large for the part."""


class MarksLost(FirmwareError):
    """The compiler left no trace of where something that was marked begins or ends, so it cannot be timed exactly."""

    exit_status = 4


class UnknownName(CycleruleError):
    """A name does not exist; the nearest ones that do are offered."""

    def __init__(self, kind: str, name: str, known: Iterable[str] = (), *, hint: str = "") -> None:
        from difflib import get_close_matches

        names = sorted(known)
        near = get_close_matches(name, names, n=3, cutoff=0.5)
        folded = {n.lower(): n for n in names}
        near = near or [folded[n] for n in get_close_matches(name.lower(), folded, n=3, cutoff=0.5)]
        text = f"no {kind} {name!r}"
        if near:
            text += "; nearest: " + ", ".join(near)
        elif 0 < len(names) <= LISTED_NAMES:
            text += "; there are " + ", ".join(names)
        if hint:
            text += f"; {hint}"
        super().__init__(text)
        self.kind, self.name, self.nearest = kind, name, tuple(near)


class ArgumentError(CycleruleError):
    """A value, a domain or an option does not fit what it is for."""


class DomainTooLarge(ArgumentError):
    """The domain would take the engine too long to cover; the text says how long."""

    exit_status = 4


class RunawayError(CycleruleError):
    """A run passed its cycle limit, waits for ever, or never came back to its caller.

    `place` is where it was (file:line or address), `cycle` how far it had come.
    """

    exit_status = 4

    def __init__(self, message: str, *, place: str = "", cycle: int = 0) -> None:
        super().__init__(message)
        self.place, self.cycle = place, cycle


class FaultError(CycleruleError):
    """The program did what the chip cannot do: an opcode that is none, memory that is none, stack into data.

    `address` is the flash byte address of the instruction, `cycle` when it began; `place` is file:line where known.
    """

    exit_status = 4

    def __init__(self, message: str, *, address: int = 0, cycle: int = 0, place: str = "") -> None:
        super().__init__(message)
        self.message, self.address, self.cycle, self.place = message, address, cycle, place


class UnknownInstruction(FaultError):
    """A word that is no instruction of the family was reached."""


class NotModelled(FaultError):
    """The program needs something of the chip that the model does not have."""


class BoundError(CycleruleError):
    """A worst case was not proved."""

    exit_status = 4


class BoardError(CycleruleError):
    """The board or its port does not answer as it should."""

    exit_status = 5
