"""Running a program in QEMU: an oracle for values. It counts no cycles."""

import os
import re
import shutil
import subprocess
import threading
from collections.abc import Callable
from functools import cache
from pathlib import Path

import pytest

_LONGEST_SECONDS = 60


@cache
def machine(part: str) -> str:
    """Gives QEMU's name for its machine with a part, found by what its help says; skips without one."""
    program = shutil.which("qemu-system-avr")
    if program is None:
        pytest.skip("qemu-system-avr is not installed (Debian: qemu-system-misc)")
    listing = subprocess.run([program, "-M", "help"], capture_output=True, text=True, check=True).stdout
    names = [line.split()[0] for line in listing.splitlines() if re.search(rf"\b{part}\b", line, re.IGNORECASE)]
    if not names:
        pytest.skip(f"this QEMU has no machine with an {part}")
    return names[0]


def serial_bytes(image: Path, part: str, count: int) -> bytes:
    """Runs an image from reset until it has sent so many bytes through its first serial port, and gives them."""
    received = _received(image, part, lambda sent: len(sent) >= count)
    assert len(received) >= count, f"QEMU sent {len(received)} bytes of {count}"
    return received[:count]


def serial_until(image: Path, part: str, end: bytes) -> bytes:
    """Runs an image from reset until its first serial port has sent `end`, and gives all up to and with it."""
    received = _received(image, part, lambda sent: end in sent)
    assert end in received, f"QEMU did not come to {end!r}; the last it sent was {received[-200:]!r}"
    return received[: received.index(end) + len(end)]


def _received(image: Path, part: str, is_enough: Callable[[bytearray], bool]) -> bytes:
    command = ["qemu-system-avr", "-M", machine(part), "-bios", str(image), "-display", "none", "-monitor", "none"]
    process = subprocess.Popen([*command, "-serial", "stdio"], stdin=subprocess.DEVNULL, stdout=subprocess.PIPE)
    assert process.stdout is not None
    too_long = threading.Timer(_LONGEST_SECONDS, process.kill)
    too_long.start()
    received = bytearray()
    try:
        while not is_enough(received) and (data := os.read(process.stdout.fileno(), 1 << 16)):
            received += data
    finally:
        too_long.cancel()
        process.kill()
        process.wait()
        process.stdout.close()
    return bytes(received)
