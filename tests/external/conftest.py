"""What the external checks share: inputs, cases made of them, and a comparison that counts.

A test asks for `verdict(...) == (number of cases, {})`, so that a check of nothing fails too.
"""

from __future__ import annotations

from collections.abc import Callable
from typing import Any, NamedTuple

import numpy as np
import pytest

from carrywave.sim.cases.kinds import lay_reads
from carrywave.sim.cases.layout import CASE, Cases, Outcomes
from carrywave.sim.family.instructions import BY_MNEMONIC, ENTRIES
from carrywave.sim.family.members import EVENTS
from carrywave.sim.family.status_byte import FLAG_BITS
from carrywave.sim.witness.model import Model

Column = Any  # a NumPy array of integers, or one integer


class Inputs(NamedTuple):
    """Operands and carry-in, a column each."""

    a: np.ndarray
    m: np.ndarray
    carry: np.ndarray


def _every(*sizes: int) -> list[np.ndarray]:
    return [axis.ravel() for axis in np.indices(sizes)]


@pytest.fixture(scope="session")
def every_input() -> Inputs:
    """All 2^17 inputs of an 8-bit addition."""
    carry, a, m = _every(2, 256, 256)
    return Inputs(a, m, carry)


@pytest.fixture(scope="session")
def every_decimal_input() -> Inputs:
    """All 20,000 inputs of a packed-decimal addition that have valid digits only."""
    carry, a, m = _every(2, 100, 100)
    return Inputs(a // 10 * 16 + a % 10, m // 10 * 16 + m % 10, carry)


@pytest.fixture(scope="session")
def every_byte() -> tuple[np.ndarray, np.ndarray]:
    """All 512 inputs of a rotation: the byte and the carry-in."""
    carry, byte = _every(2, 256)
    return byte, carry


@pytest.fixture(scope="session")
def instruction_cases() -> Callable[..., Cases]:
    """Makes cases of one instruction, in the first of the modes below that it has."""

    def build(
        mnemonic: str,
        *,
        m: Column = 0,
        carry: Column = 0,
        decimal: Column = 0,
        p: Column = 0,
        **registers: Column,
    ) -> Cases:
        columns = np.broadcast_arrays(m, carry, decimal, p, *registers.values())
        m, carry, decimal, p = columns[:4]
        cases = np.zeros(m.size, CASE)
        modes = BY_MNEMONIC[mnemonic]
        mode = next(
            mode for mode in ("immediate", "accumulator", "implied", "zero page") if mode in modes
        )
        cases["pc"], cases["sp"] = 0x0400, 0xFF
        unused = dict.fromkeys(("vector.low", "vector.high", "pull0", "pull1", "pull2"), 0)
        read = {"pc": 0x0400, "sp": 0xFF, "m": m, "address.low": 0x20, **unused}
        lay_reads(cases, modes[mode], read)
        for register, column in zip(registers, columns[4:], strict=True):
            cases[register] = column
        cases["p"] = p | carry << FLAG_BITS["c"] | decimal << FLAG_BITS["d"]
        return cases

    return build


@pytest.fixture(scope="session")
def answer(instruction_cases: Callable[..., Cases]) -> Callable[..., Outcomes]:
    """Puts cases of one instruction to the model."""

    def ask(mnemonic: str, *, variant: str = "nmos", **columns: Column) -> Outcomes:
        return Model(variant).execute(instruction_cases(mnemonic, **columns))

    return ask


@pytest.fixture(scope="session")
def answer_event() -> Callable[..., Outcomes]:
    """Puts an interrupt or reset, come before a NOP, to the model."""

    def ask(event: str, *, p: np.ndarray, variant: str = "nmos") -> Outcomes:
        cases = np.zeros(len(p), CASE)
        cases["event"], cases["p"] = EVENTS.index(event), p
        cases["pc"], cases["sp"] = 0x0400, 0xFF
        lay_reads(cases, ENTRIES[event], {"vector.low": 0x00, "vector.high": 0xC0})
        return Model(variant).execute(cases)

    return ask


@pytest.fixture(scope="session")
def field() -> Callable[[Outcomes, str], np.ndarray]:
    """Reads a flag ("n" to "c"), what was "stored" last, or a field of outcomes, as integers."""
    return _field


def _field(outcomes: Outcomes, name: str) -> np.ndarray:
    if name in FLAG_BITS:
        return outcomes["p"].astype(int) >> FLAG_BITS[name] & 1
    if name == "stored":
        return outcomes["write_value"][np.arange(len(outcomes)), outcomes["writes"] - 1].astype(int)
    return outcomes[name].astype(int)


@pytest.fixture(scope="session")
def verdict() -> Callable[..., tuple[int, dict[str, int]]]:
    """Compares outcomes with columns: the number of cases, and of mismatches by field if any."""

    def compare(outcomes: Outcomes, **expected: Column) -> tuple[int, dict[str, int]]:
        assert expected, "nothing to compare with"
        wrong = {
            name: int(np.count_nonzero(_field(outcomes, name) != column))
            for name, column in expected.items()
        }
        return len(outcomes), {name: count for name, count in wrong.items() if count}

    return compare


@pytest.fixture(scope="session")
def plant() -> Callable[..., Outcomes]:
    """Plants a mistake: the same outcomes with some flags or fields replaced."""

    def replace(outcomes: Outcomes, **mistaken: Column) -> Outcomes:
        outcomes = outcomes.copy()
        for name, column in mistaken.items():
            if name in FLAG_BITS:
                mask = 1 << FLAG_BITS[name]
                outcomes["p"] = outcomes["p"] & (0xFF ^ mask) | np.where(column, mask, 0)
            else:
                outcomes[name] = column
        return outcomes

    return replace


@pytest.fixture(scope="session")
def emulate() -> Callable[..., np.ndarray]:
    """Runs a program in a Unicorn engine over records in its memory: one emulation for all of them.

    The program finds the records' address, the answers' address and the number of records in the
    three registers named, and is its own loop, ending when it has counted down to 0. `stack` names
    the stack pointer, if the program needs one.
    """

    def run(
        engine: Any,
        program: bytes,
        records: np.ndarray,
        answers: np.dtype,
        registers: tuple[int, int, int],
        stack: int | None = None,
    ) -> np.ndarray:
        page = 0x1000
        code, source = page, 16 * page
        target = source + (records.nbytes // page + 1) * page
        engine.mem_map(0, target + (len(records) * answers.itemsize // page + 1) * page)
        engine.mem_write(code, program)
        engine.mem_write(source, records.tobytes())
        for register, value in zip(registers, (source, target, len(records)), strict=True):
            engine.reg_write(register, value)
        if stack is not None:
            engine.reg_write(stack, source)
        engine.emu_start(code, code + len(program), timeout=30_000_000)
        assert engine.reg_read(registers[2]) == 0, "the program has not reached its end"
        return np.frombuffer(
            bytes(engine.mem_read(target, len(records) * answers.itemsize)), answers
        )

    return run
