"""The contract of `contract.py`, kept by every engine there is."""

from functools import cache

import pytest

from cyclerule.cache import cache_folder
from cyclerule.engines.engine import Engine
from cyclerule.engines.llvm.scalar import Scalar
from cyclerule.engines.reference import Reference
from cyclerule.engines.tracking import TrackingReference
from cyclerule.firmware.object_cache import ObjectCache
from cyclerule.machine.chip import Chip

pytest.register_assert_rewrite("tests.engines.contract")

from tests.engines.benches import part  # noqa: E402
from tests.engines.contract import EngineContract  # noqa: E402
from tests.engines.courses import BODIES, HANDLER, WIDE_BODIES  # noqa: E402
from tests.engines.listing import instructions  # noqa: E402


@cache
def code_cache() -> ObjectCache:
    """What was compiled once in this run of the tests; the same programs come in many of them."""
    return ObjectCache(cache_folder("code"))


class TestReference(EngineContract):
    """The meaning of each instruction run directly."""

    @staticmethod
    def make(chip: Chip) -> Engine:
        """Makes the engine."""
        return Reference(chip)


class TestTrackingReference(EngineContract):
    """The same with notes on what is read before it is written."""

    @staticmethod
    def make(chip: Chip) -> Engine:
        """Makes the engine."""
        return TrackingReference(chip)


class TestScalarUnoptimised(EngineContract):
    """Compiled code as it is written."""

    @staticmethod
    def make(chip: Chip) -> Engine:
        """Makes the engine."""
        return Scalar(chip, level=0, cache=code_cache())


class TestScalar(EngineContract):
    """Compiled code as LLVM improves it."""

    @staticmethod
    def make(chip: Chip) -> Engine:
        """Makes the engine."""
        return Scalar(chip, level=2, cache=code_cache())


def test_the_programs_have_every_instruction_form_and_path() -> None:
    """Everything that runs on AVRe+, on the part with the most; SPM has no figure, so no model runs it."""
    lines = [each for body in (*BODIES.values(), *WIDE_BODIES.values(), HANDLER) for each in body]
    core = Chip(part("atmega2560"), b"").core
    executed = {each.syntax for each in lines}
    assert executed == set(instructions(core)) - {"SPM"} | {"JMP k"}
    for name, instruction in instructions(core).items():
        paths = {each.path for each in lines if each.syntax == name}
        if instruction.is_skip:
            assert paths == {"plain", "skip1", "skip2"}
        elif instruction.cycles.taken_extra:
            assert paths == {"plain", "taken"}
