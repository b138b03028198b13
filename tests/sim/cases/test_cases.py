"""The case sets: every opcode and event, every input that can matter, counted one by one."""

from __future__ import annotations

from functools import cache
from typing import Any

import numpy as np
import pytest
from usual import first_of

from carrywave.sim.cases.case_memory import lay_out
from carrywave.sim.cases.exhaustive import exhaustive_cases, exhaustive_count
from carrywave.sim.cases.layout import CASE, OUTCOME, READS, Cases, unnamed
from carrywave.sim.cases.sampled import sampled_cases
from carrywave.sim.family.instructions import BY_MNEMONIC, ENTRIES, INSTRUCTIONS, Instruction
from carrywave.sim.family.members import EVENTS

FORMS = (*INSTRUCTIONS, *ENTRIES.values())
SOME = first_of([f for i in range(4) for f in FORMS[i::4]], 40)
COMPLEMENT = {"pc": 0xFFFF}  # 0xFF for all others


def name_of(form: Instruction) -> str:
    return f"{form.mnemonic} {form.mode.name}".removesuffix(" entry")


def read(cases: Cases, form: Instruction, name: str) -> Any:
    """The byte that the published clocks give this name."""
    return cases["read_value"][:, form.reads.index(name)]


def address_of(cases: Cases, form: Instruction) -> Any:
    """An operand's address, put together by hand."""
    return addresses_of(cases, form)[-1]


def addresses_of(cases: Cases, form: Instruction) -> list[Any]:
    """Where a pointer's two bytes lie, and the operand's address, put together by hand."""
    code, mode = cases["read_value"].astype(np.int64), form.mode.name
    x, y = (cases[name].astype(np.int64) for name in "xy")
    index = {"X": x, "Y": y}.get(mode.rstrip(")")[-1], 0)
    if mode == "(absolute)":
        low, page = code[:, 1], code[:, 2] << 8
        return [page | low, page | (low + 1) % 256, words(code[:, 3], code[:, 4])]
    if mode == "(zero page,X)":
        at = code[:, 1] + x
        return [at % 256, (at + 1) % 256, words(code[:, 2], code[:, 3])]
    if mode == "(zero page),Y":
        at = code[:, 1]
        return [at, (at + 1) % 256, (words(code[:, 2], code[:, 3]) + y) % 65536]
    if form.mode.length == 3:
        return [(words(code[:, 1], code[:, 2]) + index) % 65536]
    return [(code[:, 1] + index) % 256]


@cache
def everything(name: str, mode: str = "") -> Cases:
    return np.concatenate(list(exhaustive_cases(form_of(name, mode))))


def form_of(name: str, mode: str = "") -> Instruction:
    return BY_MNEMONIC[name][mode] if mode else ENTRIES[name]


def distinct(*columns: Any) -> int:
    """How many different combinations the columns take."""
    key, size = np.zeros(len(columns[0]), np.int64), 1
    for column in columns:
        width = int(np.max(column)) + 1
        key, size = key * width + column, size * width
    seen = np.zeros(size, bool)  # sorting takes ten times as long
    seen[key] = True
    return int(np.count_nonzero(seen))


def words(low: Any, high: Any) -> Any:
    return low + (high.astype(np.int64) << 8)


# What is there


@pytest.mark.parametrize("form", FORMS, ids=name_of)
def test_batches_are_small_alike_each_time_and_as_many_as_announced(
    form: Instruction,
) -> None:
    batches = list(exhaustive_cases(form))
    assert batches
    assert all(batch.dtype == CASE and 0 < len(batch) <= 1 << 18 for batch in batches)
    assert sum(map(len, batches)) == exhaustive_count(form)
    again = exhaustive_cases(form)
    assert all(a.tobytes() == b.tobytes() for a, b in zip(batches, again, strict=True))


@pytest.mark.parametrize("form", SOME, ids=name_of)
def test_a_batch_is_of_one_opcode_or_event_and_says_nothing_more(form: Instruction) -> None:
    cases = np.concatenate(list(exhaustive_cases(form)))
    value, where, pc = cases["read_value"], cases["read_address"], cases["pc"]
    if form.opcode is None:
        assert set(cases["event"]) == {EVENTS.index(form.mnemonic)}
        cases = cases[(form.mnemonic != "IRQ") | (cases["p"] & 4 == 0)]
        vector = {"IRQ": 0xFFFE, "NMI": 0xFFFA, "RESET": 0xFFFC}[form.mnemonic]
        assert set(cases["reads"]) == {2}
        assert set(cases["read_address"][:, 0]) == {vector}
        assert set(cases["read_address"][:, 1]) == {vector + 1}
        return
    assert set(cases["event"]) == {0}
    assert set(value[:, 0]) == {form.opcode}
    length = 1 if form.mnemonic == "BRK" else form.length
    pulls = {"PLA": 1, "PLP": 1, "RTS": 2, "RTI": 3}.get(form.mnemonic, 0)
    operand = form.access in ("read", "modify")
    pointer = 2 * form.mode.name.startswith("(")
    vector_read = 2 * (form.mnemonic == "BRK")
    assert set(cases["reads"]) == {length + pointer + pulls + operand + vector_read}
    for i in range(length):
        assert (where[:, i] == pc + np.uint16(i)).all()
    for i in range(pulls):
        assert (where[:, length + i] == 0x0100 + (cases["sp"].astype(int) + 1 + i) % 256).all()
    if pointer or operand:
        for i, address in enumerate(addresses_of(cases, form)[: pointer + operand]):
            assert (where[:, length + i] == address).all()
            assert value[:, length + i].any()
    for i in range(vector_read):
        assert set(where[:, length + i]) == {0xFFFE + i}
    beyond = np.arange(READS) >= cases["reads"][:, None]
    assert not value[beyond].any()
    assert not where[beyond].any()


@pytest.mark.parametrize("form", SOME, ids=name_of)
def test_whatever_need_not_matter_stands_in_two_ways_that_differ_in_every_bit(
    form: Instruction,
) -> None:
    cases = np.concatenate(list(exhaustive_cases(form)))
    checked = 0
    for field in ("a", "x", "y", "sp", "p", "pc"):
        counts = np.bincount(cases[field])
        values, counts = np.flatnonzero(counts), counts[counts > 0]
        if len(values) == 2:
            assert values[0] ^ values[1] == COMPLEMENT.get(field, 0xFF)
            assert counts[0] == counts[1]
            checked += 1
    assert checked >= (1 if form.mode.name.endswith("Y") or "X" in form.mode.name else 2)


@pytest.mark.parametrize("form", SOME, ids=name_of)
def test_all_flags_and_the_counter_s_carries_are_asked_of_everything(
    form: Instruction,
) -> None:
    cases = np.concatenate(list(exhaustive_cases(form)))
    assert distinct(cases["p"]) == 256
    pc = cases["pc"]
    assert distinct(pc & 255) == distinct(pc >> 8) == 256
    # Where the second and the third byte lie in the next page, and in the first one of memory.
    assert {0x00FE, 0x00FF, 0x7FFE, 0x7FFF, 0xFFFE, 0xFFFF} <= set(pc[pc & 0xFE == 0xFE])


def test_the_whole_set_has_its_size() -> None:
    counts = {name_of(form): exhaustive_count(form) for form in FORMS}
    assert len(counts) == len(INSTRUCTIONS) + 3
    assert sum(counts.values()) == 28_039_040
    wanted = {
        "ADC immediate": 532_864, "SBC absolute": 655_872, "CMP zero page": 271_232,
        "AND immediate": 139_648, "CLC implied": 8_576, "PHP implied": 262_656,
        "BNE relative": 393_728, "BRK implied": 262_656, "IRQ": 262_656,
        "LDA (zero page),Y": 263_680, "INC absolute,X": 262_656,
    }  # fmt: skip
    assert {name: counts[name] for name in wanted} == wanted


# What can matter


@pytest.mark.parametrize("mode", ["immediate", "zero page", "absolute"])
@pytest.mark.parametrize("name", ["ADC", "SBC"])
def test_decimal_and_binary_arithmetic_meet_every_operand(name: str, mode: str) -> None:
    cases = everything(name, mode)
    m = read(cases, form_of(name, mode), "m")
    assert distinct(cases["a"], m, cases["p"] & 0x09) == 1 << 18
    # ... and each of these with the other flags both ways.
    for bit in (0x80, 0x40, 0x04, 0x02):
        assert distinct(cases["a"], m, cases["p"] & (0x09 | bit)) == 1 << 19


@pytest.mark.parametrize(("name", "register"), [("CMP", "a"), ("CPX", "x"), ("CPY", "y")])
def test_compares_meet_every_operand_with_every_c_and_d(name: str, register: str) -> None:
    cases = everything(name, "absolute")
    m = read(cases, form_of(name, "absolute"), "m")
    assert distinct(cases[register], m, cases["p"] & 0x09) == 1 << 18


@pytest.mark.parametrize("name", ["AND", "ORA", "EOR", "BIT"])
def test_logic_meets_every_operand(name: str) -> None:
    cases = everything(name, "zero page")
    m = read(cases, form_of(name, "zero page"), "m")
    assert distinct(cases["a"], m, cases["p"] & 0x01) == 1 << 17


@pytest.mark.parametrize("name", ["ASL", "LSR", "ROL", "ROR", "INC", "DEC"])
def test_what_is_modified_takes_every_byte_with_every_carry(name: str) -> None:
    cases = everything(name, "zero page")
    form = form_of(name, "zero page")
    assert distinct(read(cases, form, "m"), cases["p"] & 1) == 512
    assert distinct(address_of(cases, form)) == 256


ABSOLUTE = [form for form in INSTRUCTIONS if form.mode.name == "absolute"]


@pytest.mark.parametrize("form", ABSOLUTE, ids=name_of)
def test_every_absolute_address_occurs_with_a_changing_byte(form: Instruction) -> None:
    cases = everything(form.mnemonic, "absolute")
    address = address_of(cases, form)
    assert distinct(address) == 65536
    assert distinct(cases["pc"]) == 65536
    if form.access == "write":
        register = {"STA": "a", "STX": "x", "STY": "y"}[form.mnemonic]
        assert distinct(address, cases[register] & 1) >= 65536
        assert distinct(cases[register]) == 256
    elif form.access:
        assert distinct(read(cases, form, "m")) == 256


INDEXED = [form for form in INSTRUCTIONS if form.index]


@pytest.mark.parametrize("form", INDEXED, ids=name_of)
def test_every_index_meets_every_low_byte_and_every_carry_into_the_page(form: Instruction) -> None:
    cases = everything(form.mnemonic, form.mode.name)
    index = cases["x" if "X" in form.mode.name else "y"]
    pointer = form.mode.name.startswith("(")
    base = read(cases, form, "pointer" if form.mode.name == "(zero page,X)" else "address.low")
    assert distinct(index, base) == 65536
    if pointer:
        assert distinct(read(cases, form, "pointer")) == 256
    if form.mode.name.startswith(("absolute", "(zero page),")):
        high = read(cases, form, "address.high")
        carried = index.astype(int) + base > 255
        assert distinct(high[carried]) > 240
        assert distinct(high[~carried]) == 256
        assert (carried & (high == 0xFF)).any()
    if "m" in form.reads and form.mnemonic in ("ADC", "SBC", "CMP", "AND", "EOR", "ORA"):
        assert distinct(cases["a"], read(cases, form, "m")) == 65536


def test_every_pointer_of_jmp_occurs_and_in_cmos_its_high_byte_lies_beyond() -> None:
    cases = everything("JMP", "(absolute)")
    form = form_of("JMP", "(absolute)")
    low, high = (read(cases, form, f"pointer.{half}") for half in ("low", "high"))
    assert distinct(words(low, high)) == 65536
    cmos = np.concatenate(list(exhaustive_cases(form, "cmos")))
    ends = low == 0xFF
    assert (cmos["read_address"][~ends] == cases["read_address"][~ends]).all()
    crossed = (words(low, high)[ends] + 1) % 65536
    assert (cmos["read_address"][ends, 4] == crossed).all()
    assert (cmos["read_value"] == cases["read_value"]).all()


@pytest.mark.parametrize("name", ["BCC", "BCS", "BEQ", "BNE", "BMI", "BPL", "BVC", "BVS"])
def test_branches_meet_every_flag_offset_and_place_in_a_page(name: str) -> None:
    cases = everything(name, "relative")
    bit = {"BCC": 0, "BCS": 0, "BEQ": 1, "BNE": 1, "BMI": 7, "BPL": 7, "BVC": 6, "BVS": 6}[name]
    offset, truth, pc = cases["read_value"][:, 1], cases["p"] >> bit & 1, cases["pc"]
    assert distinct(cases["p"] & 0xCF, offset) == 64 * 256
    assert distinct(truth, offset, pc & 255) == 2 * 256 * 256
    target = (pc + 2 + offset.astype(np.int8).astype(np.int64)) & 0xFFFF
    crossed = target >> 8 != ((pc.astype(np.int64) + 2) & 0xFFFF) >> 8
    for up in (True, False):
        chosen = crossed & ((offset < 128) == up)
        assert distinct(pc[chosen] >> 8, truth[chosen]) == 512


@pytest.mark.parametrize("name", ["PLP", "RTI"])
def test_status_pulls_meet_every_status_before(name: str) -> None:
    cases = everything(name, "implied")
    byte = read(cases, form_of(name, "implied"), "pull0")
    assert distinct(cases["p"], byte) == 65536
    assert distinct(cases["sp"], byte) == 65536


@pytest.mark.parametrize(("name", "first"), [("RTS", 0), ("RTI", 1)])
def test_every_return_address_occurs(name: str, first: int) -> None:
    cases = everything(name, "implied")
    low, high = (cases["read_value"][:, 1 + first + i] for i in range(2))
    assert distinct(words(low, high)) == 65536
    assert distinct(cases["sp"]) == 256


@pytest.mark.parametrize(("name", "byte"), [("PHA", "a"), ("PHP", "p")])
def test_pushes_meet_every_stack_pointer(name: str, byte: str) -> None:
    cases = everything(name, "implied")
    assert distinct(cases["sp"], cases[byte]) == 65536


@pytest.mark.parametrize("name", ["BRK", "IRQ", "NMI", "RESET"])
def test_entries_meet_every_status_stack_pointer_counter_and_vector(name: str) -> None:
    cases = everything(name, "implied") if name == "BRK" else everything(name)
    assert distinct(cases["p"], cases["sp"]) == 65536
    assert distinct(cases["pc"]) == 65536
    if name == "IRQ":
        cases = cases[cases["p"] & 4 == 0]
    vector = words(*(cases["read_value"][:, (name == "BRK") + i] for i in range(2)))
    assert distinct(cases["pc"]) == distinct(vector) == 65536
    unmasked = cases["p"] & 4 == 0
    assert distinct(cases["pc"][unmasked]) == distinct(vector[unmasked]) == 65536


@pytest.mark.parametrize(
    ("name", "mode"),
    [("NOP", "implied"), ("ROL", "accumulator"), ("LDA", "immediate"), ("LDA", "zero page"),
     ("LDA", "absolute"), ("STA", "zero page"), ("INC", "zero page"), ("PHA", "implied"),
     ("PLP", "implied"), ("JSR", "absolute"), ("RTS", "implied"), ("BEQ", "relative")],
)  # fmt: skip
def test_the_counter_takes_every_value_in_each_sequence_of_clocks(name: str, mode: str) -> None:
    assert distinct(everything(name, mode)["pc"]) == 65536


# Records


def test_unnamed_records_are_the_same_memory() -> None:
    cases = sampled_cases(50, 1)
    plain = unnamed(cases)
    assert plain.dtype.names is None
    assert plain.tobytes() == cases.tobytes()
    cases["a"] ^= 0xFF
    assert plain.tobytes() == cases.tobytes()
    assert unnamed(np.zeros(3, OUTCOME)).dtype.itemsize == OUTCOME.itemsize


def test_samples_have_every_opcode_and_event_and_no_byte_in_two_places() -> None:
    cases = sampled_cases(40_000, 7)
    assert {*cases["read_value"][cases["event"] == 0, 0]} == {one.opcode for one in INSTRUCTIONS}
    assert set(cases["event"]) == set(range(len(EVENTS)))
    assert cases.tobytes() == sampled_cases(40_000, 7).tobytes()
    assert cases.tobytes() != sampled_cases(40_000, 8).tobytes()
    checked = 0
    for case in cases:
        there = case["read_address"][: case["reads"]].tolist()
        laid = lay_out(case)
        assert [laid[address] for address in there] == case["read_value"][: len(there)].tolist()
        checked += len(set(there)) == len(there) > 3
    assert checked > 1000
