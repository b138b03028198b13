"""Exhaustive cases: every input that can matter to an instruction."""

from __future__ import annotations

from collections.abc import Iterator
from math import prod
from typing import Any, Final

import numpy as np
import numpy.typing as npt

from ..family.instructions import BY_MNEMONIC, EVENTS, Instruction
from ..family.status import FLAG_BITS
from .layout import CASE, PULLS, Cases, unnamed

__all__ = ["exhaustive_cases", "exhaustive_count"]

# Exhaustive cases. A grid is a list of axes; an axis is columns that run in step. The two bytes
# after the opcode are the `argument`; the operand's value, wherever it lies, is `m`; `pulled`,
# `above` and `top` are the bytes above SP; "p.c" and "p.d" are single flags.

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
    "m": 0x96, "pulled": 0xC5, "above": 0x17, "top": 0xA8, "vector": 0xD34F,
}  # fmt: skip
_WIDE: Final = ("pc", "argument", "vector")

# The register that an instruction reads.
_READS: Final = {
    **dict.fromkeys(("ADC", "AND", "BIT", "CMP", "EOR", "ORA", "SBC", "STA", "TAX", "TAY"), "a"),
    **dict.fromkeys(("CPX", "DEX", "INX", "STX", "TXA", "TXS"), "x"),
    **dict.fromkeys(("CPY", "DEY", "INY", "STY", "TYA"), "y"),
    "PHA": "a", "PHP": "p", "TSX": "sp",
}  # fmt: skip
_CHANGES: Final = ("ASL", "DEC", "INC", "LDA", "LDX", "LDY", "LSR", "ROL", "ROR")
_PULLED: Final = {"RTS": ("pulled", "above"), "RTI": ("above", "top")}  # return addresses
# One for each sequence of clocks: here the program counter takes every value.
_COUNTING: Final = ("INC", "LDA", "NOP", "PHA", "PHP", "PLA", "PLP", "ROL", "STA")
_AT_A_MASKED_IRQ: Final = BY_MNEMONIC["ADC"]["immediate"]


def exhaustive_cases(entry: Instruction | str) -> Iterator[Cases]:
    """Every input that can matter to an opcode or to "IRQ", "NMI" or "RESET", the same each time.

    Batches have at most 2^18 rows. Each grid of what matters stands in two surroundings, the second
    with every bit of what should not matter toggled.
    """
    waiting: list[Cases] = []
    # The large ones first: so batches are cut between surroundings, and columns are constant.
    for grid in sorted(_grids(entry), key=lambda grid: prod(_shape(grid)), reverse=True):
        for toggled in (False, True):
            cases = _laid_out(entry, grid, toggled)
            if waiting and sum(map(len, waiting)) + len(cases) > _BATCH:
                yield np.concatenate(waiting).view(CASE)
                waiting = []
            waiting.append(unnamed(cases))
    yield np.concatenate(waiting).view(CASE)


def exhaustive_count(entry: Instruction | str) -> int:
    """How many cases `exhaustive_cases` has."""
    return 2 * sum(prod(_shape(grid)) for grid in _grids(entry))


def _shape(grid: _Grid) -> list[int]:
    return [len(next(iter(axis.values()))) for axis in grid]


def _grids(entry: Instruction | str) -> Iterator[_Grid]:
    """Grids of at most 2^18 rows."""
    if isinstance(entry, str):
        name, mode, access = entry, "", ""
    else:
        name, mode, access = entry.mnemonic, entry.mode, entry.access
    in_step: dict[str, npt.NDArray[Any]] = {}  # with the program counter
    yield [{"p": _BYTES}]
    if name in EVENTS or name == "BRK":
        yield [{"p": _BYTES}, {"sp": _BYTES}]
        in_step = {"vector": _MIXED}
    elif name in ("ADC", "SBC"):
        yield [{"a": _BYTES}, {"m": _BYTES}, {"p.c": _BITS}, {"p.d": _BITS}]
    elif name in ("CMP", "CPX", "CPY"):
        yield [{_READS[name]: _BYTES}, {"m": _BYTES}, {"p.c": _BITS}]  # D is toggled
    elif name in ("AND", "BIT", "EOR", "ORA"):
        yield [{"a": _BYTES}, {"m": _BYTES}]
    elif name in ("PHA", "PHP"):
        yield [{_READS[name]: _BYTES}, {"sp": _BYTES}]
    elif name in ("PLA", "PLP", "RTI"):
        yield [{"pulled": _BYTES}, {"sp": _BYTES}]
        if name != "PLA":
            yield [{"pulled": _BYTES}, {"p": _BYTES}]
    elif name in ("JSR", "RTS"):
        yield [{"sp": _BYTES}, {"pc": _EDGES[::64]}]
    elif mode == "relative":
        # Bits 4 and 5 are no flags. At a page's beginning, middle and end, and at memory's end.
        flags = (_BYTES[:64] & 0x30) << 2 | (_BYTES[:64] & 0x0F)
        places = np.array([0x40FE, 0x427E, 0x43F0, 0xFFF0])
        yield [{"p": flags}, {"argument": _BYTES}, {"pc": places}]
        # One truth, and with the flags toggled the other. At last, always into another page.
        yield [{"pc": _BYTES | 0x3C00}, {"argument": _BYTES}]
        in_step = {"argument": np.where(_WORDS & 255 < 126, 0x80, 0x7F)}
    elif name in _READS:
        yield [{_READS[name]: _BYTES}, {"p.c": _BITS}]
    elif name in _CHANGES or mode == "accumulator":
        yield [{"a" if mode == "accumulator" else "m": _BYTES}, {"p.c": _BITS}]
    byte = _READS[name] if access == "write" else "m"
    if name in _PULLED:
        low, high = _PULLED[name]
        in_step = {low: _MIXED & 255, high: _MIXED >> 8}
    elif mode == "absolute":
        in_step = {"argument": _MIXED, byte: _WORDS * 3 & 255}
    elif mode == "zero page":
        yield [{"argument": _BYTES, byte: _BYTES ^ 0xA5}]
    yield [{"pc": _WORDS if in_step or name in _COUNTING else _EDGES, **in_step}]


def _laid_out(entry: Instruction | str, grid: _Grid, toggled: bool) -> Cases:
    """A grid as cases, in its surroundings."""
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
    cases = np.zeros(_shape(grid), CASE)
    for name in ("a", "x", "y", "sp", "p", "pc"):
        cases[name] = column[name]
    if isinstance(entry, str):
        cases["event"], cases["vector"] = EVENTS.index(entry), column["vector"]
        entry = _AT_A_MASKED_IRQ
    elif entry.mnemonic == "BRK":
        cases["vector"] = column["vector"]
    code, argument = cases["bytes"], column["argument"]
    code[..., 0], cases["length"] = entry.opcode, entry.length
    if entry.length > 1:
        code[..., 1] = column["m"] if entry.mode == "immediate" else argument & 255
    if entry.length > 2:
        code[..., 2] = argument >> 8
    if entry.access:
        cases["address"] = argument if entry.mode == "absolute" else argument & 255
    if entry.access in ("read", "modify"):
        cases["operand"] = column["m"]
    for i, name in enumerate(("pulled", "above", "top")[: PULLS.get(entry.mnemonic, 0)]):
        cases["pulled"][..., i] = column[name]
    return cases.reshape(-1)
