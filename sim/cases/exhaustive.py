"""Exhaustive cases: every input that can matter to an instruction.

A grid is a list of axes; an axis is columns that run in step. A column is a register, a byte by the
name that the published clocks give it, or a single flag, "p.c" or "p.d". The `argument` is what
stands behind the opcode, an address or an offset, or what a pointer holds; the `pointer` is where
that lies; the `vector` is the address that an entry finds.

An access to memory is the same clocks whatever formed the address, and an index is added before the
operation. So every input of an operation is put to the plain modes, and to the indexed ones every
index and base, with the operation's inputs in step: all of them, but not each with each.
"""

from collections.abc import Iterator
from math import prod
from typing import Any, Final

import numpy as np
import numpy.typing as npt

from ..family.instructions import BY_OPCODE, ENTRIES, Instruction
from ..family.members import EVENTS
from ..family.status_byte import FLAG_BITS
from .kinds import happening, lay_reads
from .layout import CASE, Cases, unnamed

_Grid = list[dict[str, npt.NDArray[Any]]]

_BATCH: Final = 1 << 18
_BITS: Final = np.arange(2)
_BYTES: Final = np.arange(256)
_WORDS: Final = np.arange(65536)
# Every word again, in an order that goes with none of the others.
_MIXED: Final = (_WORDS >> 8 | (_WORDS & 255) << 8) ^ 0x5AA5
# Every low byte with some high ones and the reverse: every carry into the high byte.
_SOME: Final = np.array([0x00, 0x01, 0x7F, 0x80, 0x9A, 0xEF, 0xFE, 0xFF])
_EDGES: Final = np.unique([np.add.outer(_SOME << 8, _BYTES), np.add.outer(_SOME, _BYTES << 8)])

# What stands where nothing else is asked for: no two bytes are alike, nor alike once toggled.
_SURROUNDINGS: Final = {
    "a": 0xB4, "x": 0x2D, "y": 0x1E, "sp": 0x69, "p": 0x58, "pc": 0x3CC2, "argument": 0x8E71,
    "pointer": 0x4BD7, "m": 0x96, "pull0": 0xC5, "pull1": 0x17, "pull2": 0xA8, "vector": 0xD34F,
}  # fmt: skip
_WIDE: Final = ("pc", "argument", "pointer", "vector")
_PARTS: Final = {  # the bytes of words that are read
    "argument": ("address.low", "address.high"), "pointer": ("pointer.low", "pointer.high"),
    "vector": ("vector.low", "vector.high"),
}  # fmt: skip

# The register that an instruction reads.
_REGISTER: Final = {
    **dict.fromkeys(("ADC", "AND", "BIT", "CMP", "EOR", "ORA", "SBC", "STA", "TAX", "TAY"), "a"),
    **dict.fromkeys(("CPX", "DEX", "INX", "STX", "TXA", "TXS"), "x"),
    **dict.fromkeys(("CPY", "DEY", "INY", "STY", "TYA"), "y"),
    "PHA": "a", "PHP": "p", "TSX": "sp",
}  # fmt: skip
_CHANGES: Final = ("ASL", "DEC", "INC", "LDA", "LDX", "LDY", "LSR", "ROL", "ROR")
_PULLED: Final = {"RTS": ("pull0", "pull1"), "RTI": ("pull1", "pull2")}  # return addresses
# One for each sequence of clocks: here the program counter takes every value.
_COUNTING: Final = (
    "INC", "LDA", "LDX", "NOP", "PHA", "PHP", "PLA", "PLP", "ROL", "STA", "STX",
)  # fmt: skip
_AT_A_MASKED_IRQ: Final = BY_OPCODE[0x69]


def exhaustive_cases(instruction: Instruction | str, variant: str = "nmos") -> Iterator[Cases]:
    """Every input that can matter to an opcode or to "IRQ", "NMI" or "RESET", the same each time.

    Where the bytes lie that are read goes by the variant. Batches have at most 2^18 rows. Each grid
    of what matters stands in two surroundings, the second with every bit of what should not matter
    toggled.
    """
    instruction = _one(instruction)
    waiting: list[Cases] = []
    # The large ones first: so batches are cut between surroundings, and columns are constant.
    for grid in sorted(_grids(instruction), key=lambda grid: prod(_shape(grid)), reverse=True):
        for toggled in (False, True):
            cases = _laid_out(instruction, grid, toggled, variant)
            if waiting and sum(map(len, waiting)) + len(cases) > _BATCH:
                yield np.concatenate(waiting).view(CASE)
                waiting = []
            waiting.append(unnamed(cases))
    yield np.concatenate(waiting).view(CASE)


def exhaustive_count(instruction: Instruction | str) -> int:
    """How many cases `exhaustive_cases` has."""
    return 2 * sum(prod(_shape(grid)) for grid in _grids(_one(instruction)))


def _one(instruction: Instruction | str) -> Instruction:
    return ENTRIES[instruction] if isinstance(instruction, str) else instruction


def _shape(grid: _Grid) -> list[int]:
    return [len(next(iter(axis.values()))) for axis in grid]


def _grids(instruction: Instruction) -> Iterator[_Grid]:
    """Grids of at most 2^18 rows."""
    name, operand = instruction.mnemonic, instruction.mode.operand
    in_step: dict[str, npt.NDArray[Any]] = {}  # with the program counter
    yield [{"p": _BYTES}]
    if instruction.index:
        yield from _indexed(instruction)
        in_step = {instruction.index: _WORDS * 7 >> 3 & 255}
    elif "vector.low" in instruction.reads:
        yield [{"p": _BYTES}, {"sp": _BYTES}]
        in_step = {"vector": _MIXED}
    elif name in ("ADC", "SBC"):
        yield [{"a": _BYTES}, {"m": _BYTES}, {"p.c": _BITS}, {"p.d": _BITS}]
    elif name in ("CMP", "CPX", "CPY"):
        yield [{_REGISTER[name]: _BYTES}, {"m": _BYTES}, {"p.c": _BITS}]  # D is toggled
    elif name in ("AND", "BIT", "EOR", "ORA"):
        yield [{"a": _BYTES}, {"m": _BYTES}]
    elif name in ("PHA", "PHP"):
        yield [{_REGISTER[name]: _BYTES}, {"sp": _BYTES}]
    elif name in ("PLA", "PLP", "RTI"):
        yield [{"pull0": _BYTES}, {"sp": _BYTES}]
        if name != "PLA":
            yield [{"pull0": _BYTES}, {"p": _BYTES}]
    elif name in ("JSR", "RTS"):
        yield [{"sp": _BYTES}, {"pc": _EDGES[::64]}]
    elif instruction.branches:
        # Bits 4 and 5 are no flags. At a page's beginning, middle and end, and at memory's end.
        flags = (_BYTES[:64] & 0x30) << 2 | (_BYTES[:64] & 0x0F)
        places = np.array([0x40FE, 0x427E, 0x43F0, 0xFFF0])
        yield [{"p": flags}, {"argument": _BYTES}, {"pc": places}]
        # One truth, and with the flags toggled the other. At last, always into another page.
        yield [{"pc": _BYTES | 0x3C00}, {"argument": _BYTES}]
        in_step = {"argument": np.where(_WORDS & 255 < 126, 0x80, 0x7F)}
    elif name in _REGISTER:
        yield [{_REGISTER[name]: _BYTES}, {"p.c": _BITS}]
    elif name in _CHANGES:
        yield [{operand: _BYTES}, {"p.c": _BITS}]
    byte = _REGISTER[name] if instruction.access == "write" else "m"
    if name in _PULLED:
        low, high = _PULLED[name]
        in_step = {low: _MIXED & 255, high: _MIXED >> 8}
    elif "address.high" in instruction.reads:
        in_step |= {"argument": _MIXED, byte: _WORDS * 3 & 255, "pointer": _WORDS * 0x4C35 & 0xFFFF}
    elif "address.low" in instruction.reads:
        yield [{"argument": _BYTES, byte: _BYTES ^ 0xA5}]
    all_places = name in _COUNTING or (in_step and not instruction.index)
    places = _WORDS if all_places else _EDGES
    yield [{"pc": places, **{name: column[places] for name, column in in_step.items()}}]


def _indexed(instruction: Instruction) -> Iterator[_Grid]:
    """Every index on every base, A and the operand in step with them."""
    low = _BYTES | (_BYTES * 0x6B & 255) << 8
    base, other = ("pointer", "argument") if "x" in instruction.pointer else ("argument", "pointer")
    yield [
        {instruction.index: _BYTES, "a": _BYTES ^ 0x3C},
        {base: low, other: low ^ 0x9D27, "m": _BYTES * 5 & 255},
    ]
    if instruction.pointer:
        yield [{"pointer": _BYTES}, {"p.c": _BITS}]


def _laid_out(instruction: Instruction, grid: _Grid, toggled: bool, variant: str) -> Cases:
    column: dict[str, Any] = {
        name: value ^ (0 if not toggled else 0xFFFF if name in _WIDE else 0xFF)
        for name, value in _SURROUNDINGS.items()
    }
    for place, axis in enumerate(grid):
        for name, values in axis.items():
            along = values.reshape([-1 if i == place else 1 for i in range(len(grid))])
            if name in column:
                column[name] = along
            else:
                bit = FLAG_BITS[name[-1]]
                column["p"] = column["p"] & ~(1 << bit) | along << bit
    for word, (low, high) in _PARTS.items():
        column |= {low: column[word] & 255, high: column[word] >> 8}
    column |= {"offset": column["address.low"], "pointer": column["pointer.low"]}
    cases = np.zeros(_shape(grid), CASE)
    for name in ("a", "x", "y", "sp", "p", "pc"):
        cases[name] = column[name]
    lay_reads(cases, instruction, column, variant)
    if instruction.opcode is None:
        cases["event"] = EVENTS.index(instruction.mnemonic)
    flat = cases.reshape(-1)
    if instruction.mnemonic == "IRQ":
        masked = np.flatnonzero(~happening(flat))
        if len(masked):
            runs = np.zeros(cases.shape, CASE)
            lay_reads(runs, _AT_A_MASKED_IRQ, column, variant)
            for name in ("reads", "read_value", "read_address"):
                flat[name][masked] = runs.reshape(-1)[name][masked]
    return flat
