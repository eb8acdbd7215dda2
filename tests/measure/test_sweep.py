"""Sweeps: order of rows, extremes, arrays, domains, files."""

import csv
import json
import math
import re
import time
from collections import Counter
from pathlib import Path

import numpy as np
import pytest

import cyclerule as cr
from tests.measure.arrays import listed

PROGRAMS = Path(__file__).parent / "programs"
BOTH = pytest.mark.parametrize("engine", ["reference", "scalar"])


@pytest.fixture(scope="session")
def returns() -> cr.Firmware:
    """Functions with results and arguments of every kind."""
    return cr.build([PROGRAMS / "returns.c"], part="atmega328p", clock="8 MHz", flags=["-std=gnu99"])


@BOTH
def test_rows_are_in_the_order_of_the_names_the_last_varying_fastest(returns: cr.Firmware, engine: str) -> None:
    """The order in the call counts, not that of the declaration."""
    sweep = returns.sweep("mixed", c=[3, 1], a=range(2), b=(5, 4, 6), engine=engine)
    expected = [100 * a + 10 * b + c for c in (3, 1) for a in range(2) for b in (5, 4, 6)]
    assert sweep.names == ("c", "a", "b")
    assert sweep.count == 12
    assert listed(sweep.returned) == expected
    assert [row.returned for row in sweep.rows()] == expected
    assert sweep.row(3).arguments == {"c": 3, "a": 1, "b": 5}
    assert sweep.row(-1).arguments == {"c": 1, "a": 1, "b": 6}


@BOTH
def test_extremes_name_the_first_input_that_gives_them(returns: cr.Firmware, engine: str) -> None:
    """`slower` takes as long as n mod 4 says: 0 is the quickest, 3 the slowest, each many times over."""
    sweep = returns.sweep("slower", n=range(1, 256), engine=engine)
    assert sweep.minimum == (returns.call("slower", 4).cycles, {"n": 4})
    assert sweep.maximum == (returns.call("slower", 3).cycles, {"n": 3})


@BOTH
def test_every_row_has_what_the_call_alone_gives(apiary: cr.Firmware, engine: str) -> None:
    """Cycles, result, instructions and stack of 16 rows out of 4,096, and their sums against all."""
    sweep = apiary.sweep("crc8_step", crc=range(0, 256, 4), byte=range(0, 256, 4), engine=engine)
    for index in range(0, 4096, 273):
        row = sweep.row(index)
        call = apiary.call("crc8_step", row.arguments["crc"], row.arguments["byte"])
        assert (row.cycles, row.returned, row.instructions, row.stack_bytes) == (
            *(call.cycles, call.returned),
            *(call.instructions, call.stack_bytes),
        )
    cycles = listed(sweep.cycles)
    assert sweep.histogram == dict(sorted(Counter(cycles).items()))
    assert sweep.mean == sum(cycles) / 4096
    assert (min(cycles), max(cycles)) == (sweep.minimum.cycles, sweep.maximum.cycles)
    assert sweep.stack_bytes == 2


@BOTH
@pytest.mark.parametrize(
    ("name", "kind", "values"),
    [
        ("is_odd", "bool", lambda n: bool(n & 1)),
        ("squared", "uint16", lambda n: n * n),
        ("cubed", "uint32", lambda n: n**3),
        ("widest", "uint64", lambda n: 0xFFFFFFFFFFFFFF00 + n),
        ("halved", "float32", lambda n: n / 2),
        ("level_of", "int16", lambda n: 300 if n else -1),
        ("pointed", "uint16", lambda n: 0x100 + n),
    ],
)
def test_returned_is_an_array_of_the_result_s_type(  # type: ignore[no-untyped-def]
    returns: cr.Firmware, engine: str, name: str, kind: str, values
) -> None:
    """The type of numpy that has the same size, the next larger one for three bytes; shape (count,)."""
    sweep = returns.sweep(name, n=range(0, 256, 5), engine=engine)
    assert sweep.returned is not None
    assert sweep.returned.dtype == np.dtype(kind)
    assert sweep.returned.shape == (52,)
    assert sweep.returned.tolist() == [values(n) for n in range(0, 256, 5)]


@BOTH
def test_signed_results_and_arguments_keep_their_sign(returns: cr.Firmware, engine: str) -> None:
    """From -128, whose negative is itself in eight bits, up."""
    small = returns.sweep("minus", n=cr.every("int8_t"), engine=engine)
    assert small.returned is not None
    assert small.returned.dtype == np.int8
    assert small.returned.tolist() == [-128, *range(127, -128, -1)]
    wide = returns.sweep("wide", n=[-3, 0, 20_000], engine=engine)
    assert wide.returned is not None
    assert wide.returned.dtype == np.int32
    assert wide.returned.tolist() == [300_000, 0, -2_000_000_000]


@BOTH
@pytest.mark.parametrize(("name", "size"), [("paired", 3), ("read_all", 10)])
def test_structures_are_rows_of_bytes(returns: cr.Firmware, engine: str, name: str, size: int) -> None:
    """uint8 of shape (count, bytes), in registers (3 bytes) and in memory (10)."""
    sweep = returns.sweep(name, n=range(30), engine=engine)
    assert sweep.returned is not None
    assert sweep.returned.dtype == np.uint8
    assert sweep.returned.shape == (30, size)
    assert sweep.returned[7].tobytes() == returns.call(name, 7).returned


def test_cycles_are_uint64_and_a_void_function_returns_none(returns: cr.Firmware) -> None:
    """Shape (count,)."""
    sweep = returns.sweep("nothing", n=range(10))
    assert sweep.cycles is not None
    assert sweep.cycles.dtype == np.uint64
    assert sweep.cycles.shape == (10,)
    assert sweep.returned is None


@BOTH
def test_a_summary_keeps_no_rows(returns: cr.Firmware, engine: str) -> None:
    """Extremes, mean, histogram and held are there all the same."""
    rows = returns.sweep("slower", n=range(256), engine=engine)
    summary = returns.sweep("slower", n=range(256), keep="summary", engine=engine)
    assert summary.cycles is None
    assert summary.returned is None
    assert (summary.count, summary.minimum, summary.maximum) == (rows.count, rows.minimum, rows.maximum)
    assert (summary.mean, summary.histogram, summary.held) == (rows.mean, rows.histogram, rows.held)
    with pytest.raises(ValueError, match=r'sweep with keep="rows"'):
        summary.row(0)


def test_a_function_without_parameters_has_one_row(returns: cr.Firmware) -> None:
    """Its input is empty."""
    sweep = returns.sweep("no_arguments")
    assert (sweep.count, listed(sweep.returned), sweep.row(0).arguments) == (1, [9], {})


def test_values_may_be_buffers_structures_and_numpy_arrays(returns: cr.Firmware) -> None:
    """One buffer or structure by itself is a domain of one; several stand in a list."""
    assert listed(returns.sweep("sum_of", data=b"\x01\x02\x03", count=range(4)).returned) == [0, 1, 3, 6]
    assert listed(returns.sweep("sum_of", data=[[1, 2], [30, 40], b"\x05\x06"], count=2).returned) == [3, 70, 11]
    assert listed(returns.sweep("first_of", p={"first": 8, "second": 1}).returned) == [8]
    assert listed(returns.sweep("first_of", p=[{"first": 8}, {"first": 9}]).returned) == [8, 9]
    assert listed(returns.sweep("squared", n=np.arange(5, dtype=np.uint8)).returned) == [0, 1, 4, 9, 16]
    assert listed(returns.sweep("scaled", x=np.linspace(0, 1, 5)).returned) == [0, 0.75, 1.5, 2.25, 3]
    assert listed(returns.sweep("level_of", n=cr.every("uint8_t")).returned) == [-1] + [300] * 255


@BOTH
def test_a_zero_keeps_its_sign(returns: cr.Firmware, engine: str) -> None:
    """-0.0 equals 0.0 and is another input (IEEE 754)."""
    results = listed(returns.sweep("scaled", x=[0.0, -0.0, 0.0], engine=engine).returned)
    assert [math.copysign(1, value) for value in results] == [1, -1, 1]


def test_parameters_may_have_the_names_of_settings(returns: cr.Firmware) -> None:
    """`name` is free, for `keep` there is the mapping before the keywords."""
    assert listed(returns.sweep("clash", {"keep": [1, 2]}, name=[10, 20]).returned) == [11, 21, 12, 22]


@pytest.mark.parametrize(
    ("name", "bounds"),
    [
        ("uint8_t", (0, 255)),
        ("int8_t", (-128, 127)),
        ("bool", (0, 1)),
        ("char", (-128, 127)),
        ("unsigned long", (0, (1 << 32) - 1)),
        ("int64_t", (-(1 << 63), (1 << 63) - 1)),
    ],
)
def test_every_gives_all_values_of_a_type(name: str, bounds: tuple[int, int]) -> None:
    """Sizes of avr-gcc: int has 16 bits, long 32, char is signed."""
    domain = cr.every(name)
    assert (domain[0], domain[-1]) == bounds
    assert bounds[1] - bounds[0] in domain or bounds[0] < 0


def test_progress_ends_with_all_rows(apiary: cr.Firmware) -> None:
    """Told (done, total) now and then, and at the end."""
    told: list[tuple[int, int]] = []
    apiary.sweep("deep", n=range(25), engine="reference", progress=lambda *each: told.append(each))
    assert told[-1] == (25, 25)
    assert told == sorted(told)


@pytest.mark.parametrize(
    ("name", "domains", "text"),
    [
        ("mixed", {"a": 1, "b": 2}, "mixed: no values for c; give each parameter a domain"),
        ("mixed", {"a": 1, "b": 2, "d": 3}, "no parameter 'd'"),
        ("mixed", {"a": [], "b": 2, "c": 3}, "the domain of a is empty"),
        ("mixed", {"a": [255, 256], "b": 2, "c": 3}, "parameter 'a' (uint8_t) takes 0 to 255; 256 given"),
        ("mixed", {"a": ["x?"], "b": 2, "c": 3}, "parameter 'a' (uint8_t) takes a whole number"),
        ("squared", {"n": cr.every("uint64_t")}, "the domain of n has more than 2^63 values; give a part of it"),
        ("squared", {"n": 1, "keep": "all"}, "keep='all': it is 'rows' or 'summary'"),
        ("nothing_here", {}, "no function 'nothing_here'; nearest: nothing"),
    ],
)
@BOTH
def test_a_domain_that_does_not_fit_is_said_to_be_so(
    returns: cr.Firmware, engine: str, name: str, domains: dict[str, object], text: str
) -> None:
    """What is wrong, and what there is instead."""
    with pytest.raises(cr.CycleruleError) as error:
        returns.sweep(name, engine=engine, **domains)  # type: ignore[arg-type]
    assert text in str(error.value)
    assert error.value.exit_status in (2, 4)


def test_every_of_something_else_names_types() -> None:
    """A float has no set of values to go through."""
    with pytest.raises(cr.ArgumentError, match="not an integer type; try 'uint8_t'"):
        cr.every("float")


WIDE = {"a": cr.every("uint8_t"), "b": cr.every("uint16_t"), "c": cr.every("uint8_t")}


@pytest.mark.parametrize(
    ("engine", "name", "domains"),
    [
        ("reference", "mixed", WIDE),
        ("scalar", "mixed", WIDE),
        ("auto", "mixed", WIDE),
        ("reference", "delays", {"n": range(200, 256)}),  # few rows, each of two million cycles
    ],
)
def test_a_domain_too_large_says_how_long_it_would_take(
    returns: cr.Firmware, engine: str, name: str, domains: dict[str, object]
) -> None:
    """Told after the first second or so, status 4: not decided."""
    began = time.perf_counter()
    with pytest.raises(cr.ArgumentError) as error:
        returns.sweep(name, domains, engine=engine, keep="summary", longest_seconds=2)
    assert time.perf_counter() - began < 30
    assert re.search(r"inputs would take about \d+ (seconds|minutes|hours|days)", str(error.value))
    assert "give a smaller domain" in str(error.value)
    assert error.value.exit_status == 4


def test_more_rows_than_fit_are_refused_at_once(returns: cr.Firmware) -> None:
    """Four thousand million rows are kept as a summary or not at all."""
    with pytest.raises(cr.ArgumentError, match=r"mixed over 4,294,967,296 inputs: .*keep='summary'"):
        returns.sweep("mixed", WIDE)


def test_an_error_in_a_sweep_names_the_input(apiary: cr.Firmware) -> None:
    """The first input for which it happens."""
    with pytest.raises(cr.FaultError, match=r"with n = 28$"):
        apiary.sweep("deep", n=range(20, 40), engine="reference")
    with pytest.raises(cr.RunawayError, match=r"waits for TIMER1_COMPA.*with turns = 1$"):
        apiary.sweep("waits_if", {"turns": [0, 1, 2]})


def test_csv_has_a_column_for_each_figure(returns: cr.Firmware, tmp_path: Path) -> None:
    """RFC 4180, a header first; structures in hexadecimal."""
    path = tmp_path / "out" / "rows.csv"
    sweep = returns.sweep("mixed", a=[1, 2], b=[7], c=[0, 9])
    sweep.to_csv(path)
    with path.open(encoding="utf-8", newline="") as file:
        rows = list(csv.DictReader(file))
    assert list(rows[0]) == [
        *("a", "b", "c", "cycles", "cycles_with_call", "microseconds", "returned", "instructions", "stack_bytes")
    ]
    assert [(row["a"], row["c"], row["returned"]) for row in rows] == [
        *(("1", "0", "170"), ("1", "9", "179"), ("2", "0", "270"), ("2", "9", "279"))
    ]
    assert float(rows[0]["microseconds"]) == int(rows[0]["cycles"]) / 8
    assert int(rows[0]["cycles_with_call"]) == int(rows[0]["cycles"]) + 4
    returns.sweep("paired", n=5).to_csv(path)
    assert path.read_text(encoding="utf-8").splitlines()[1].split(",")[4] == "050501"


def test_json_is_one_document_with_its_schema(returns: cr.Firmware, tmp_path: Path) -> None:
    """Figures as numbers, what was measured beside them, rows null where none were kept."""
    path = tmp_path / "sweep.json"
    sweep = returns.sweep("squared", n=range(3))
    sweep.to_json(path)
    document = json.loads(path.read_text(encoding="utf-8"))
    assert document["schema"] == "cyclerule/sweep/1"
    assert (document["part"], document["clock_hz"], document["count"]) == ("atmega328p", 8_000_000, 3)
    assert document["build"]["image_sha256"] == returns.image.sha256
    assert document["minimum"] == {"cycles": sweep.minimum.cycles, "arguments": {"n": 0}}
    assert [(row["arguments"]["n"], row["returned"]) for row in document["rows"]] == [(0, 0), (1, 1), (2, 4)]
    returns.sweep("squared", n=range(3), keep="summary").to_json(path)
    assert json.loads(path.read_text(encoding="utf-8"))["rows"] is None


def test_parquet_has_the_same_columns(returns: cr.Firmware, tmp_path: Path) -> None:
    """Read back by polars; without it the message says how to get it."""
    path = tmp_path / "sweep.parquet"
    sweep = returns.sweep("squared", n=range(3))
    try:
        import polars as pl  # type: ignore[import-not-found,unused-ignore]
    except ModuleNotFoundError:
        with pytest.raises(cr.ArgumentError, match=r"needs polars, which is not installed; pip install 'cyclerule\["):
            sweep.to_parquet(path)
        assert not path.exists()
        return
    sweep.to_parquet(path)
    table = pl.read_parquet(path)
    assert table["returned"].to_list() == [0, 1, 4]
    assert table["cycles"].to_list() == listed(sweep.cycles)


def test_a_file_is_written_whole_or_not_at_all(returns: cr.Firmware, tmp_path: Path) -> None:
    """Without rows there is nothing to write; a folder in the way is told by name."""
    path = tmp_path / "rows.csv"
    with pytest.raises(cr.ArgumentError, match=r'not kept; sweep with keep="rows"'):
        returns.sweep("squared", n=range(3), keep="summary").to_csv(path)
    assert not path.exists()
    path.mkdir()
    with pytest.raises(cr.ArgumentError, match=r"rows\.csv cannot be written"):
        returns.sweep("squared", n=range(3)).to_csv(path)
    assert [each.name for each in tmp_path.iterdir()] == ["rows.csv"]
