"""What can be on the other end of the two-wire bus: the face of a device, and one that follows a script."""

from collections.abc import Iterable
from typing import Any, Protocol


class TwiDevice(Protocol):
    """A device on the bus, as a master speaks to it."""

    def begin(self, is_read: bool) -> bool:
        """Takes its address, for reading or writing; tells whether it acknowledges."""

    def write(self, value: int) -> bool:
        """Takes a byte; tells whether it acknowledges."""

    def read(self) -> int:
        """Gives a byte."""

    def save(self) -> Any:
        """Gives the device's state."""

    def restore(self, saved: Any) -> None:
        """Sets a saved state."""


class ScriptedDevice:
    """Gives bytes in turn, keeps what is written to it, and acknowledges up to `accepts` bytes after each address.

    It gives 0xFF once its bytes have run out, as an empty bus reads.
    """

    def __init__(self, gives: Iterable[int] = (), *, accepts: int | None = None, answers: bool = True) -> None:
        self.written: list[int] = []
        self._gives, self._given = tuple(gives), 0
        self._accepts, self._since_address = accepts, 0
        self._answers = answers

    def begin(self, is_read: bool) -> bool:
        """Takes its address."""
        self._since_address = 0
        return self._answers

    def write(self, value: int) -> bool:
        """Keeps a byte."""
        self.written.append(value)
        self._since_address += 1
        return self._accepts is None or self._since_address <= self._accepts

    def read(self) -> int:
        """Gives the next byte."""
        self._given += 1
        return self._gives[self._given - 1] if self._given <= len(self._gives) else 0xFF

    def save(self) -> Any:
        """Gives how far the script has come."""
        return tuple(self.written), self._given, self._since_address

    def restore(self, saved: Any) -> None:
        """Sets how far it has come."""
        written, self._given, self._since_address = saved
        self.written[:] = written
