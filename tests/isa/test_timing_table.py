"""Every figure of the manual's timing table against the records of the instructions, and no record without a row."""

import re

import pytest

from cyclerule.isa import table
from cyclerule.isa.families import ALL_FEATURES, Core
from cyclerule.isa.record import REGISTERED, Instruction, Timing
from tests.golden.tables import rows

COLUMNS = {"AVRe": "AVRe+", "AVRxm": "AVRxm", "AVRxt": "AVRxt", "AVRrc": "AVRrc"}
"""Each column of the table and a family it holds for; AVR and AVRe share that of AVRe+."""

ALIAS_FORMS = {
    "BRBC 0": ("BRBC", "s,k", 1),
    "EOR Rd,Rd": ("EOR", "Rd,Rr", 1),
    "ANDI Rd,~K": ("ANDI", "Rd,K", 1),
    "ORI Rd,K": ("ORI", "Rd,K", 1),
    "LDI Rd,0xFF": ("LDI", "Rd,K", 1),
    "ADD Rd,Rd": ("ADD", "Rd,Rr", 1),
    "ADC Rd,Rd": ("ADC", "Rd,Rr", 1),
    "AND Rd,Rd": ("AND", "Rd,Rr", 1),
    "BSET 0": ("BSET", "s", 1),
    "BCLR 0": ("BCLR", "s", 1),
    "BRBS 0": ("BRBS", "s,k", 1),
}
"""The form that an alias is written for; a flag number may be any."""

Row = dict[str, str]
Form = tuple[str, str, int]


def form_of(row: Row) -> Form:
    """The form a row is about: mnemonic, operands without spaces, length in words; aliases lead to their base."""
    if row["alias_of"]:
        return ALIAS_FORMS[re.sub(r"^(BR?B\w+|BSET|BCLR) \d$", r"\1 0", row["alias_of"])]
    return row["mnemonic"], row["operands"].replace(" ", ""), int(row["words"])


def form_of_record(instruction: Instruction) -> Form:
    """The same of a record."""
    _, _, operands = instruction.syntax.partition(" ")
    return instruction.mnemonic, operands.replace(" ", ""), instruction.words


RECORDS = {form_of_record(each): each for each in REGISTERED}
ROWS = rows("instruction_timing.csv")
CELLS = [(row, column) for row in ROWS for column in COLUMNS]


def name(value: object) -> str:
    """A row's form, or a column as it is: the parameters' names in pytest's listing."""
    return f"{value['mnemonic']} {value['operands']}".strip() if isinstance(value, dict) else str(value)


def core(column: str, pc_bytes: int = 2) -> Core:
    """A core of the column's family with everything."""
    return Core(COLUMNS[column], ALL_FEATURES, pc_bytes)


def timing(row: Row, column: str, pc_bytes: int = 2) -> Timing | None:
    """What the record of the row's form has for that column."""
    return RECORDS[form_of(row)].cycles.on(core(column, pc_bytes))


def test_table_and_records_have_the_same_forms() -> None:
    """DS40002198 sec. 5: 144 forms, aliases included; two records of one form would hide each other."""
    assert len(ROWS) == 144
    assert len(RECORDS) == len(REGISTERED)
    assert {form_of(row) for row in ROWS} == set(RECORDS)


def test_each_group_of_instructions_is_registered_once() -> None:
    """The table is complete only when every file of instructions was imported: each registers what it defines."""
    defined = {each.meaning for each in REGISTERED}
    assert len(defined) == len(REGISTERED)
    assert {meaning.__module__ for meaning in defined} == {group.__name__ for group in table.GROUPS}


@pytest.mark.parametrize(("row", "column"), CELLS, ids=name)
def test_cycles_without_branch_or_skip_are_the_tables(row: Row, column: str) -> None:
    """DS40002198 sec. 5, columns AVRe, AVRxm, AVRxt, AVRrc; N/A where the family lacks the form."""
    published, found = row[column], timing(row, column)
    record = RECORDS[form_of(row)]
    if published == "N/A":
        assert found is None
    elif published in ("1/2", "varies"):
        assert record.cycles.varies
        assert found is not None
    else:
        assert found is not None
        assert found.base == int(published)
        assert not record.cycles.varies
    assert record.is_on(core(column)) == (published != "N/A")


@pytest.mark.parametrize(("row", "column"), CELLS, ids=name)
def test_a_taken_branch_has_the_tables_cycles(row: Row, column: str) -> None:
    """DS40002198 sec. 5 prints 1/2 for branches: not taken, taken. Nothing else has a second figure."""
    published, found = row[f"{column}_taken"], timing(row, column)
    if found is not None:
        assert found.taken == int(published or found.base)
    else:
        assert published in ("", "N/A")


@pytest.mark.parametrize("words", [1, 2])
@pytest.mark.parametrize(("row", "column"), CELLS, ids=name)
def test_a_skip_has_the_tables_cycles_for_the_length_it_passes_over(row: Row, column: str, words: int) -> None:
    """DS40002198 sec. 6, CPSE, SBRC, SBRS, SBIC, SBIS: cases ii (one word) and iii (two words)."""
    published, found = row[f"{column}_skip{words}"], timing(row, column)
    record = RECORDS[form_of(row)]
    assert record.is_skip == bool(published)
    if published == "N/A":
        assert column == "AVRrc"
        assert not [each for each in REGISTERED if each.words == words and each.is_on(core(column))]
    elif published:
        assert found is not None
        assert found.skipping(words) == int(published)


@pytest.mark.parametrize(("row", "column"), [cell for cell in CELLS if cell[1] != "AVRrc"], ids=name)
def test_a_22_bit_program_counter_has_the_tables_cycles(row: Row, column: str) -> None:
    """DS40002198 sec. 5, footnote on parts with a 22-bit program counter (no AVRrc has one); others take the same."""
    wide, narrow = timing(row, column, 3), timing(row, column)
    if wide is None or narrow is None:
        assert wide is narrow is None
        return
    published = row[f"{column}_pc22"]
    assert wide.base == (int(published) if published else narrow.base)
    assert wide.taken - wide.base == narrow.taken - narrow.base


@pytest.mark.parametrize("row", ROWS, ids=name)
def test_loads_from_mapped_flash_and_io_have_the_tables_cycles(row: Row) -> None:
    """DS40002198 sec. 5: a second figure for AVRrc from mapped flash; notes for AVRxm's I/O and AVRxt's flash."""
    small, mid, tiny = timing(row, "AVRrc"), timing(row, "AVRxm"), timing(row, "AVRxt")
    if small is not None:
        published = row["AVRrc_from_flash"]
        assert small.base + small.flash_extra == (int(published) if published else small.base)
        assert small.io_extra == 0
    if mid is not None:
        is_shorter = "AVRxm: one cycle less when the address is an I/O register" in row["note"]
        assert (mid.io_extra, mid.flash_extra) == (-1 if is_shorter else 0, 0)
    if tiny is not None:
        is_longer = "AVRxt: at least one more cycle" in row["note"]
        assert (tiny.io_extra, tiny.flash_extra) == (0, 1 if is_longer else 0)


@pytest.mark.parametrize("instruction", REGISTERED, ids=str)
def test_avr_avre_and_avre_plus_share_one_column(instruction: Instruction) -> None:
    """DS40002198 sec. 5 heads that column AVRe; sec. 4 counts AVR and AVRe+ to the same timing."""
    timings = {instruction.cycles.on(Core(family, ALL_FEATURES)) for family in ("AVR", "AVRe", "AVRe+")}
    assert len(timings) == 1
