"""The interrupt controller: which request is taken, and which handlers have run."""

import pytest

from cyclerule.machine.interrupts import HandlerRun, HandlerTimes, InterruptController
from tests.golden.tables import rows


@pytest.mark.parametrize(("pc_bytes", "column"), [(2, "avre_pc16_cycles"), (3, "avre_pc22_cycles")])
def test_times_are_the_published_ones(pc_bytes: int, column: str) -> None:
    """ATmega48A/…/328P datasheet DS40002061A sec. 7.7.1, ATmega640/…/2561 datasheet sec. 7.8.1."""
    published = {row["item"]: row[column] for row in rows("interrupt_timing.csv")}
    controller = InterruptController(pc_bytes, 2)
    response = next(int(value) for item, value in published.items() if item.startswith("interrupt response"))
    asleep = next(int(value) for item, value in published.items() if item.startswith("interrupt taken while asleep"))
    assert (controller.response_cycles, controller.wake_cycles) == (response, asleep)


def test_the_lowest_vector_is_taken_first() -> None:
    """DS40002061A sec. 12: the lower the address, the higher the priority."""
    controller = InterruptController(2, 2)
    for vector in (9, 4, 25):
        controller.set_request(vector, True)
        controller.on_entry(vector, lambda cycle: controller.set_request(controller.open[-1].vector, False))
    assert [controller.accept(0, 0x8FF) for _ in range(3)] == [4, 9, 25]
    assert controller.requests == 0


def test_a_level_goes_on_asking() -> None:
    """Nothing is cleared where the source has no flag: DS40002061A sec. 7.7."""
    controller = InterruptController(2, 2)
    controller.set_request(19, True)
    assert controller.accept(0, 0x8FF) == 19
    assert controller.requests == 1 << 19
    controller.set_request(19, False)
    assert controller.requests == 0


def test_nested_handlers_close_from_the_inside() -> None:
    """A run lasts from its acceptance to after its RETI, and a RETI closes only the handler whose stack it empties."""
    controller = InterruptController(2, 2)
    controller.set_request(9, True)
    controller.accept(100, 0x800)
    controller.set_request(9, False)
    controller.set_request(4, True)
    controller.accept(120, 0x7F0)
    controller.set_request(4, False)
    controller.note_return(130, 0x7E0)
    assert controller.finished == []
    controller.note_return(150, 0x7F0)
    controller.note_return(170, 0x800)
    assert controller.finished == [HandlerRun(4, 120, 150, 9), HandlerRun(9, 100, 170, None)]
    assert controller.stats == {4: HandlerTimes(1, 30, 30, 30), 9: HandlerTimes(1, 70, 70, 70)}


def test_times_of_a_vector_add_up_whoever_counted_them() -> None:
    """Compiled code counts by vector and hands over; the counts start anew there."""
    controller = InterruptController(2, 2)
    controller.set_request(1, True)
    controller.accept(0, 0x800)
    controller.note_return(40, 0x800)
    counts, total, nested = [0, 3], [0, 75], [45, 30]
    controller.take_stats(counts, [0, 20], [0, 30], total, nested)
    assert controller.stats == {1: HandlerTimes(4, 20, 40, 115)}
    assert controller.nested_cycles == {0: 85, 1: 30}
    assert (counts, total, nested) == ([0, 0], [0, 0], [0, 0])


def test_a_kept_state_has_requests_and_open_handlers_but_no_log() -> None:
    """What has finished belongs to the run that saw it."""
    controller = InterruptController(2, 2)
    controller.set_request(3, True)
    controller.accept(10, 0x800)
    kept = controller.save()
    controller.note_return(50, 0x800)
    controller.set_request(3, False)
    controller.restore(kept)
    assert controller.requests == 1 << 3
    assert [each.vector for each in controller.open] == [3]
    assert (controller.finished, controller.stats) == ([], {})
