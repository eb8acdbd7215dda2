"""What every engine offers, and why a run stops."""

from collections.abc import Container
from enum import Enum
from typing import Protocol

from cyclerule.machine.chip import Chip


class Stop(Enum):
    """Why an engine came back."""

    AT_EXIT = "reached an exit"
    AT_ENTRY = "reached an entry"
    AT_BREAK = "reached the word 0x9598"
    LIMIT = "reached the cycle limit"
    REQUESTED = "asked to stop by a device"
    HALTED = "asleep for ever, or a jump to itself with no event to come"


class Engine(Protocol):
    """One way to execute a chip.

    After `run` the chip's state is that of the instruction boundary at which the run stopped.
    """

    chip: Chip
    instructions: int
    """Instructions executed since the engine was made or the count was set."""

    def run(
        self,
        limit: int,
        *,
        exits: Container[int] = (),
        entries: Container[int] = (),
        stops_at_break: bool = False,
    ) -> Stop:
        """Executes from the chip's state until a reason to stop.

        `limit` is a cycle: the run stops at the first instruction boundary at or after it. `exits`
        and `entries` are flash words at which it stops when control gets there: at an exit before
        a waiting interrupt is served, at an entry after. The boundary at which the run begins
        counts for neither, so that a stopped run can go on.
        """

    def request_stop(self) -> None:
        """Stops the run at the next instruction boundary; for devices and observers."""

    def forget_code(self) -> None:
        """Drops everything derived from the contents of flash, after these were changed."""
