"""The state that every call and every row of a sweep starts from."""

from pathlib import Path

import pytest

import cyclerule as cr
from tests.measure.arrays import listed

PROGRAMS = Path(__file__).parent / "programs"


def test_a_call_starts_at_the_entry_of_main(apiary: cr.Firmware) -> None:
    """Start-up code has set `mode` to 3 and `weight` to 500; main, which makes `mode` 4, has not begun."""
    call = apiary.call("weigh", 7)
    assert call.returned == 500 + 7 * 3
    assert call.measured.start == "at the entry of main"


def test_no_call_leaves_anything_for_the_next(apiary: cr.Firmware) -> None:
    """Statics, ports, timers, the cycle counter and arguments in flash are as they were."""
    first = apiary.call("weigh", 7)
    for _ in range(2):
        assert apiary.call("add_weight", 5).returned == 505
    apiary.call("fill_log", 0x55)
    apiary.call("start_timer")
    apiary.call("sets_port_pin_and_count")
    apiary.call("flash_at", cr.flash(b"longer than the next"), 0)
    assert apiary.call("first_of_log").returned == 0
    assert apiary.call("now").returned == 0
    assert apiary.call("flash_at", cr.flash(b"ab"), 2).returned == 0xFF
    assert apiary.call("weigh", 7) == first


def test_an_error_leaves_nothing_either(apiary: cr.Firmware) -> None:
    """A call after one that failed half-way gives what it gave before."""
    before = apiary.call("busy", 10)
    with pytest.raises(cr.FaultError):
        apiary.call("deep", 60)
    with pytest.raises(cr.RunawayError):
        apiary.call("waits_for_nothing", max_cycles=1000)
    assert apiary.call("busy", 10) == before


def test_before_runs_functions_first_with_devices_and_time_going_on(apiary: cr.Firmware) -> None:
    """The timer counts the end of `start_timer` (RET, 4) and the first LDS of `now` in its second cycle (1)."""
    assert apiary.call("now", before=["start_timer"]).returned == 4 + 1
    assert apiary.call("now", before="start_timer").returned == 4 + 1
    assert apiary.call("now", before=["start_timer", "straight"]).returned == 4 + 6 + 1
    assert apiary.call("now", before=["start_timer", ("busy", 100)]).returned == 4 + apiary.call("busy", 100).cycles + 1
    assert apiary.call("add_weight", 1, before=[("add_weight", 10), ("add_weight", 20)]).returned == 531


def test_what_before_does_is_not_part_of_the_next_call(apiary: cr.Firmware) -> None:
    """The state after `before` is kept for the calls that name it, and for no other."""
    apiary.call("now", before=["start_timer"])
    assert apiary.call("now").returned == 0


def test_buffers_given_to_before_stay_where_they_are(apiary: cr.Firmware) -> None:
    """`keep_label` keeps its pointer; neither the next call's stack nor its own buffers lie on it."""
    assert apiary.call("label_letter", 1, before=[("keep_label", "bees")]).returned == ord("e")
    twice = [("keep_label", "drone"), ("fill_log", 1), ("crc8_step", 1, 2)]
    assert [apiary.call("label_letter", n, before=twice).returned for n in range(6)] == [*b"drone", 0]


def test_flash_given_to_before_stays_too(apiary: cr.Firmware) -> None:
    """Data in flash of a function before is not overwritten by the call's own, and gone afterwards."""
    before = [("flash_at", cr.flash(b"first"), 0)]
    free = max(end for _, end in apiary.image.flash_used)
    assert apiary.call("flash_at", cr.flash(b"second"), 1, before=before).returned == ord("e")
    assert apiary.call("flash_at", free, 0, before=before).returned == ord("f")
    assert apiary.call("flash_at", free, 0).returned == 0xFF


def test_globals_set_variables_after_before(apiary: cr.Firmware) -> None:
    """By name, by function and name for a static inside one, by index for arrays: any value an argument may have."""
    assert apiary.call("weigh", 2, globals={"mode": 10, "weight": 1000}).returned == 1020
    assert apiary.call("add_weight", 1, before=[("add_weight", 9)], globals={"weight": 7}).returned == 8
    assert apiary.call("count_hive", globals={"count_hive.calls": 40}).returned == 41
    assert apiary.call("count_other", globals={"count_hive.calls": 40}).returned == 101
    assert apiary.call("first_of_log", globals={"log_room": b"\x07"}).returned == 7
    assert apiary.call("first_of_log", globals={"log_room": [9, 8]}).returned == 9
    assert apiary.call("alarm", 21, globals={"on_alarm": cr.function("twice")}).returned == 42
    assert apiary.call("label_letter", 2, globals={"label": "queen"}).returned == ord("e")
    assert apiary.call("label_letter", 0, globals={"label": cr.address("mode")}).returned == 3


def test_interrupts_are_disabled_at_the_start_unless_asked_for(apiary: cr.Firmware) -> None:
    """The I flag is as the start-up code leaves it, and set with `interrupts`."""
    assert apiary.call("interrupts_enabled").returned == 0
    assert apiary.call("interrupts_enabled", interrupts=True).returned == 1
    assert apiary.call("interrupts_enabled").returned == 0


def test_a_program_in_the_boot_section_starts_there() -> None:
    """Linked to 0x7000, with the vectors and start-up code there: `mode` and `weight` have their values."""
    sources = [PROGRAMS / name for name in ("apiary.c", "edges.S", "timed.S")]
    boot = cr.build(sources, part="atmega328p", flags=["-Wl,--section-start=.text=0x7000"])
    call = boot.call("weigh", 7)
    assert (call.returned, call.measured.start) == (521, "at the entry of main")
    assert boot.run(max_cycles=10_000).stopped == "halted"


def test_ram_that_start_up_does_not_write_is_zero_or_the_fill() -> None:
    """0x0700 lies behind the variables; `log_room` is cleared by the start-up code whatever RAM held."""
    sources = [PROGRAMS / name for name in ("apiary.c", "edges.S", "timed.S")]
    plain, filled = (cr.build(sources, part="atmega328p", fill=fill) for fill in (0, 0xA5))
    assert plain.call("untouched_ram").returned == 0
    assert filled.call("untouched_ram").returned == 0xA5
    assert filled.call("first_of_log").returned == 0
    assert filled.call("weigh", 1).returned == 503


def test_every_row_of_a_sweep_starts_from_the_same_state(apiary: cr.Firmware) -> None:
    """Cycle counter and timer included: the running timer reads the same in each row, and statics do not add up."""
    sweep = apiary.sweep("add_weight", more=range(50))
    assert listed(sweep.returned) == [500 + more for more in range(50)]
    clock = apiary.sweep("busy", before=["start_ticking"], turns=[3] * 40, interrupts=True)
    assert set(listed(clock.cycles)) == {apiary.call("busy", 3, before=["start_ticking"], interrupts=True).cycles}
    ticking = apiary.sweep("timed_counts_down", before=["start_timer"], depth=[6] * 20)
    assert set(listed(ticking.returned)) == {apiary.call("counts_down", 6).cycles + 4 + 4}


def test_a_row_leaves_no_data_in_flash_for_the_next(apiary: cr.Firmware) -> None:
    """The second row's shorter text is followed by erased flash, not by the rest of the first one."""
    texts = [cr.flash(b"abcdef"), cr.flash(b"x")]
    sweep = apiary.sweep("flash_at", where=texts, n=[0, 3])
    assert listed(sweep.returned) == [ord("a"), ord("d"), ord("x"), 0xFF]


@pytest.mark.parametrize(
    ("settings", "text"),
    [
        ({"before": ["nothing"]}, "no function 'nothing'"),
        ({"before": [3]}, "before: 3 is neither a function's name nor a tuple of a name and arguments"),
        ({"before": ("busy", 3)}, "before: 3 is neither"),
        ({"before": ["busy"]}, "busy takes 1 argument"),
        ({"globals": {"modus": 1}}, "no global variable 'modus'; nearest: mode"),
        ({"globals": {"mode": 256}}, "global mode takes 0 to 255; 256 given"),
        ({"globals": {"table": b"\0"}}, "global table lies in flash"),
        ({"globals": {"calls": 1}}, "several have that name: count_other.calls, count_hive.calls"),
        ({"globals": {"log_room": bytes(65)}}, "global log_room has 64 bytes; 65 given"),
        ({"max_cycles": 0}, "max_cycles=0: give a number of cycles above 0"),
        ({"engine": "fast"}, "engine 'fast' is not available; there are auto"),
    ],
)
def test_a_state_that_cannot_be_made_is_said_to_be_so(
    apiary: cr.Firmware, settings: dict[str, object], text: str
) -> None:
    """One clear message that says what and what to try."""
    with pytest.raises(cr.CycleruleError) as error:
        apiary.call("now", **settings)  # type: ignore[arg-type]
    assert text in str(error.value)
    assert error.value.exit_status == 2
