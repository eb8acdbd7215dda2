"""What keeps a damaged or hostile file from doing harm: bounded work, and one kind of error for whatever goes wrong."""

from collections.abc import Iterator
from contextlib import contextmanager
from io import BytesIO

from cyclerule.errors import CycleruleError, FirmwareError


class DebugDamage(Exception):
    """Debug information is not usable; never leaves this package, but becomes `Image.debug_problem`."""


@contextmanager
def damage_named(what: str, advice: str = "") -> Iterator[None]:
    """Turns whatever a parser raises inside into FirmwareError with `what`, the reason and `advice` in its text.

    Errors raised on purpose pass unchanged.
    """
    try:
        yield
    except CycleruleError:
        raise
    except DebugDamage as error:
        raise FirmwareError(_sentence(what, str(error), advice)) from error
    except Exception as error:
        # Bytes that may be anything make a parser fail in any way it can.
        raise FirmwareError(_sentence(what, reason(error), advice)) from error


@contextmanager
def debug_damage_named(what: str) -> Iterator[None]:
    """Turns whatever a parser raises inside into DebugDamage with `what` and the reason in its text."""
    try:
        yield
    except DebugDamage as error:
        raise DebugDamage(f"{what}: {error}") from error
    except Exception as error:
        raise DebugDamage(f"{what}: {reason(error)}") from error


def reason(error: Exception) -> str:
    """Gives the first line of an error's text, or what kind of error it is where it has none worth reading."""
    lines = str(error).strip().splitlines()
    if isinstance(error, LookupError) and lines:
        return f"it refers to {lines[0][:80]}, which is not there"
    if isinstance(error, ValueError) and lines:
        return lines[0][:200]
    return f"{lines[0][:200]} ({type(error).__name__})" if lines else type(error).__name__


class Meter:
    """How much reading a file of its size can honestly need."""

    def __init__(self, size_bytes: int) -> None:
        # Real files need less than one read a byte (test: real files need half of what they may); the fixed part is for
        # tiny ones, and the ceiling ends big bad ones.
        self._left = self.allowed = min(50_000 + 2 * size_bytes, 10_000_000)

    @property
    def spent(self) -> int:
        """How much work was counted."""
        return self.allowed - self._left

    def spend(self, amount: int = 1) -> None:
        """Counts work; raises DebugDamage when it is more than the file's size explains."""
        self._left -= amount
        if self._left < 0:
            raise DebugDamage("reading it takes more work than its size explains")


class MeteredStream(BytesIO):
    """Bytes to read from, each read counted."""

    def __init__(self, contents: bytes, meter: Meter) -> None:
        super().__init__(contents)
        self._meter = meter

    def read(self, size: int | None = -1, /) -> bytes:
        """Reads as any stream does."""
        self._meter.spend()
        return super().read(size)


def _sentence(what: str, why: str, advice: str) -> str:
    return f"{what}: {why}" + (f"; {advice}" if advice else "")
