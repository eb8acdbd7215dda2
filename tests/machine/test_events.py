"""The queue of things to come: their order, and that a kept state brings them back."""

from dataclasses import dataclass

import pytest
from hypothesis import given
from hypothesis import strategies as st

from cyclerule.machine.events import NEVER, EventQueue, Recurrence


@dataclass
class Flag:
    """A flag that is only a flag."""

    vector: int | None = 1
    is_set: bool = False
    is_enabled: bool = True
    is_watched: bool = False

    def put(self, is_set: bool) -> None:
        """Sets or clears the flag."""
        self.is_set = is_set


def test_alarms_run_by_cycle_then_priority_then_making() -> None:
    """Nothing else decides: equal alarms run in the order in which they were made."""
    queue, ran = EventQueue(), []
    made = [
        queue.alarm(lambda cycle: ran.append(("a", cycle)), priority=1),
        queue.alarm(lambda cycle: ran.append(("b", cycle))),
        queue.alarm(lambda cycle: ran.append(("c", cycle)), priority=1),
        queue.alarm(lambda cycle: ran.append(("d", cycle))),
    ]
    for alarm in reversed(made):
        alarm.set(10)
    made[2].set(9)
    queue.run_until(8)
    assert ran == []
    queue.run_until(10)
    assert ran == [("c", 9), ("b", 10), ("d", 10), ("a", 10)]
    assert not queue.is_pending


def test_an_alarm_set_while_others_run_is_run_in_its_turn() -> None:
    """An action may set alarms for the same cycle or for one that has passed; both still run."""
    queue, ran = EventQueue(), []
    late = queue.alarm(lambda cycle: ran.append(("late", cycle)))

    def first(cycle: int) -> None:
        ran.append(("first", cycle))
        late.set(cycle)

    queue.alarm(first).set(5)
    queue.alarm(lambda cycle: ran.append(("other", cycle))).set(6)
    queue.run_until(6)
    assert ran == [("first", 5), ("late", 5), ("other", 6)]


def test_an_alarm_that_was_taken_back_does_not_run() -> None:
    """And the next cycle is that of the others."""
    queue, ran = EventQueue(), []
    one, other = queue.alarm(lambda cycle: ran.append(1)), queue.alarm(lambda cycle: ran.append(2))
    one.set(5)
    other.set(7)
    assert queue.next_cycle == 5
    one.clear()
    assert queue.next_cycle == 7
    queue.run_until(100)
    assert ran == [2]
    assert queue.next_cycle == NEVER


moves = st.lists(st.tuples(st.integers(0, 4), st.one_of(st.none(), st.integers(0, 50))), max_size=40)


@given(moves)
def test_the_next_cycle_is_always_the_earliest(moved: list[tuple[int, int | None]]) -> None:
    """However alarms are moved and taken back; a change is seen by its count."""
    queue = EventQueue()
    alarms = [queue.alarm(lambda cycle: None) for _ in range(5)]
    for number, cycle in moved:
        before, version = [each.due for each in alarms], queue.version
        if cycle is None:
            alarms[number].clear()
        else:
            alarms[number].set(cycle)
        assert queue.next_cycle == min(each.due for each in alarms)
        assert queue.version > version or [each.due for each in alarms] == before


@pytest.mark.parametrize("keeps_promise", [True, False])
def test_a_kept_state_brings_back_cycles_and_promises(keeps_promise: bool) -> None:
    """An alarm moved since must not keep the period that it had later."""
    queue, flag = EventQueue(), Flag()
    alarm = queue.alarm(lambda cycle: None)
    alarm.set(5, Recurrence(100, flag) if keeps_promise else None)
    kept = queue.save(), queue.save_recurrences()
    alarm.set(70, Recurrence(3, flag))
    queue.restore(*kept)
    assert (alarm.due, queue.next_cycle) == (5, 5)
    assert alarm.recurrence == (Recurrence(100, flag) if keeps_promise else None)
