"""Cases and outcomes: what is put to a witness, and what it answers."""

from __future__ import annotations

from collections.abc import Iterable, Iterator
from math import prod
from typing import Any, Final

import numpy as np
import numpy.typing as npt

from .isa import BY_MNEMONIC, EVENTS, INSTRUCTIONS, Instruction

__all__ = [
    "CASE",
    "FLAG_BITS",
    "OUTCOME",
    "Cases",
    "Outcomes",
    "exhaustive_cases",
    "exhaustive_count",
    "sampled_cases",
    "unnamed",
]

Cases = npt.NDArray[np.void]
Outcomes = npt.NDArray[np.void]

FLAG_BITS: Final = {"n": 7, "v": 6, "d": 3, "i": 2, "z": 1, "c": 0}

_REGISTERS = [("pc", "<u2"), ("a", "u1"), ("x", "u1"), ("y", "u1"), ("sp", "u1"), ("p", "u1")]

#: One instruction or interrupt and the state it starts from; 20 bytes. Fields with nothing to say
#: are 0. `operand` is the byte in memory at `address`; `pulled` the bytes above SP, nearest first;
#: `vector` the address that an interrupt's entry finds; `event` an index into `isa.EVENTS`.
CASE: Final = np.dtype(
    [
        ("event", "u1"),
        ("length", "u1"),
        ("bytes", "u1", 3),
        ("operand", "u1"),
        ("address", "<u2"),
        ("pc", "<u2"),
        ("vector", "<u2"),
        ("a", "u1"),
        ("x", "u1"),
        ("y", "u1"),
        ("sp", "u1"),
        ("p", "u1"),
        ("pulled", "u1", 3),
    ]
)

#: The state that is left and what was written; 20 bytes. `p` has bits 4 and 5 set; `cycles` 0 is
#: 'not counted'.
OUTCOME: Final = np.dtype(
    [
        *_REGISTERS,
        ("pushes", "u1"),
        ("pushed", "u1", 3),
        ("stores", "u1"),
        ("stored", "u1"),
        ("cycles", "u1"),
        ("push_address", "<u2", 3),
    ]
)

_PULLS: Final = {"PLA": 1, "PLP": 1, "RTS": 2, "RTI": 3}


def unnamed(records: Cases | Outcomes) -> npt.NDArray[np.void]:
    """The same memory without field names: NumPy moves such records a hundred times faster."""
    return records.view(f"V{records.dtype.itemsize}")


def sampled_cases(
    count: int,
    seed: int,
    entries: Iterable[Instruction] = INSTRUCTIONS,
    events: Iterable[str] = EVENTS,
) -> Cases:
    """Random cases of the given opcodes and events, the same for the same seed.

    No byte lies in two places at once: an operand or the stack never overlaps the instruction, so
    the cases can be laid out in one memory.
    """
    rng = np.random.default_rng(seed)
    cases = np.zeros(count, CASE)
    for name in ("a", "x", "y", "sp", "p"):
        cases[name] = rng.integers(0, 256, count)
    entry_of = {entry.opcode: entry for entry in entries}
    cases["bytes"][:, 0] = rng.choice(list(entry_of), count)
    cases["event"] = rng.choice([EVENTS.index(event) for event in events], count)
    # An interrupt is the rarer question: most of what can differ is in the instructions.
    if len(set(events)) > 1 and "instruction" in set(events):
        cases["event"][rng.random(count) < 0.8] = 0
    # Clear of the zero page, the stack and the vectors.
    cases["pc"] = rng.integers(0x0200, 0xFF00, count)
    for opcode, entry in entry_of.items():
        rows = np.flatnonzero(cases["bytes"][:, 0] == opcode)
        block = cases[rows]
        block["length"] = entry.length
        for i in range(1, entry.length):
            block["bytes"][:, i] = rng.integers(0, 256, len(rows))
        if entry.access:
            block["address"] = block["bytes"][:, 1]
            if entry.mode == "absolute":
                near = np.abs((block["pc"] >> 8).astype(int) - block["bytes"][:, 2]) < 2
                block["bytes"][near, 2] ^= 0x80
                block["address"] += block["bytes"][:, 2].astype("<u2") << 8
            if entry.access != "write":
                block["operand"] = rng.integers(0, 256, len(rows))
        for i in range(_PULLS.get(entry.mnemonic, 0)):
            block["pulled"][:, i] = rng.integers(0, 256, len(rows))
        if entry.mnemonic == "BRK":
            block["vector"] = rng.integers(0, 0x10000, len(rows))
        cases[rows] = block
    entering = cases["event"] > 0
    cases["vector"][entering] = rng.integers(0, 0x10000, int(entering.sum()))
    return cases


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
    for i, name in enumerate(("pulled", "above", "top")[: _PULLS.get(entry.mnemonic, 0)]):
        cases["pulled"][..., i] = column[name]
    return cases.reshape(-1)
