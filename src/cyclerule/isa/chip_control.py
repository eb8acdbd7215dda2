"""Instructions that control the chip itself."""

from __future__ import annotations

from cyclerule.isa.operations import Operations
from cyclerule.isa.record import instruction


@instruction("NOP", "0000 0000 0000 0000", cycles=1)
def nop(m: Operations) -> None:
    del m


@instruction("SLEEP", "1001 0101 1000 1000", cycles=1)
def sleep(m: Operations) -> None:
    m.sleep()


@instruction("WDR", "1001 0101 1010 1000", cycles=1)
def wdr(m: Operations) -> None:
    m.reset_watchdog()


# Every core has the word: where the instruction is missing, the assembler emits it all the same.
@instruction("BREAK", "1001 0101 1001 1000", cycles=1)
def break_(m: Operations) -> None:
    m.stop_for_debugger()
