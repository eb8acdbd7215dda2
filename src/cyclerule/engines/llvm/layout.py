"""The native view of a chip: what compiled code and Python share, and why compiled code comes back.

Registers and RAM are the chip's own data space, flags its own flags: shared memory, nothing is copied.
The rest of the CPU's state stands in `Cpu` while compiled code runs; `World` holds what Python may change
while compiled code waits for it (compiled code assumes that nobody else touches the former).
"""

import ctypes

# Why compiled code comes back.
CONTINUE = 0
"""Control is at the program counter; go on there."""
LEAVE = 1
"""An instruction boundary at which something is to be looked at: deadline, hook, interrupt, attention."""
SLOW = 2
"""The instruction at the program counter is to be executed apart; nothing of it has happened yet."""

IDLE = 16
"""Plus the cycles it takes: the instruction at the program counter jumps to itself; nothing of it has happened yet."""

SHADOW, RETURNED = 1, 3
"""What `Cpu.shadow` holds at a boundary before which no interrupt is served; after RETI while that is not yet noted."""

REFUSED = 512
"""What the answer to an access contains when an exception came of it; the instruction has then not happened."""

DEEPEST = 2_000
"""Nested calls after which compiled code unwinds, so that the host's stack is bounded."""


class Cpu(ctypes.Structure):
    """The CPU's state while compiled code runs. `deadline` is a cycle at which it comes back at the latest check.

    From `horizon` on it is compiled code's own: the cycle at which no time is left, where flags, flash and world are,
    and the stack pointer down to which pushes need no further look.
    """

    _fields_ = (
        ("cycle", ctypes.c_int64),
        ("deadline", ctypes.c_int64),
        ("instructions", ctypes.c_int64),
        ("pc", ctypes.c_int32),
        ("depth", ctypes.c_int32),
        ("sp", ctypes.c_uint16),
        ("lowest", ctypes.c_uint16),
        ("floor", ctypes.c_uint16),
        ("shadow", ctypes.c_uint8),
        ("fresh", ctypes.c_uint8),
        ("horizon", ctypes.c_int64),
        ("flags_at", ctypes.c_void_p),
        ("flash_at", ctypes.c_void_p),
        ("world_at", ctypes.c_void_p),
        ("safe", ctypes.c_uint16),
    )


IoRead = ctypes.CFUNCTYPE(ctypes.c_int32, ctypes.c_int32, ctypes.c_int64, ctypes.c_int32, ctypes.c_int32)
"""(address, cycle, flash word, I flag) to value, plus 256 when compiled code is to come back, or REFUSED."""

WATCHDOG = 0
"""Stands for the watchdog where a data address of I/O is handed over: WDR, which is no register."""

IoWrite = ctypes.CFUNCTYPE(
    ctypes.c_int32, ctypes.c_int32, ctypes.c_int32, ctypes.c_int32, ctypes.c_int64, ctypes.c_int32, ctypes.c_int32
)
"""(address, value, mask, cycle, flash word, I flag) to 256 when compiled code is to come back, REFUSED, else 0."""


class World(ctypes.Structure):
    """What Python may change: `hooks` has a byte for each flash word, `table` an entry point for each or null.

    `inner` is a table like that one for calls from compiled code.
    `touched` is set once a device has been read or written, `attention` when Python has to look first, `waiting` when
    an interrupt may be served as soon as the I flag is set. `changed` is where it is noted that native events have
    become something, `stream_write` what is called in place of `io_write` at the data register of a stream.
    """

    _fields_ = (
        ("next_event", ctypes.c_int64),
        ("hooks", ctypes.c_void_p),
        ("table", ctypes.c_void_p),
        ("inner", ctypes.c_void_p),
        ("io", ctypes.c_void_p),
        ("io_read", IoRead),
        ("io_write", IoWrite),
        ("seen", ctypes.c_void_p),
        ("touched", ctypes.c_int64),
        ("attention", ctypes.c_int64),
        ("waiting", ctypes.c_int64),
        ("changed", ctypes.c_void_p),
        ("streams", ctypes.c_void_p),
        ("stream_write", ctypes.c_void_p),
    )


def offset(structure: type[ctypes.Structure], name: str) -> int:
    """Gives the offset of a field in bytes."""
    return int(getattr(structure, name).offset)
