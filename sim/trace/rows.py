"""The rows of a trace as cases: what each column is, and what a row lacks to be checked.

What an instruction reads follows from its published clocks.
"""

from itertools import pairwise
from typing import Any, Final

import numpy as np
import numpy.typing as npt

from ..cases.kinds import (
    BY_KEY,
    KEYS,
    happening,
    keys_of,
    lay_reads,
    name_of_key,
    symbols_of,
)
from ..cases.layout import CASE, OUTCOME, READS, REGISTERS, Cases, Outcomes, unnamed
from ..family.instructions import BY_OPCODE, standing
from ..family.status_byte import FLAG_BITS
from ..witness.gates import Gates
from .columns import LISTS, Block
from .parts import TraceError

_WRITTEN: Final = ("cycles", "writes", "write_value", "write_address")
_REQUIRED: Final = (*REGISTERS, "run")  # where there is a run at all

# By key: how many bytes are read, and how many of them are the instruction's own.
NEEDED, OWN = np.zeros(KEYS, np.uint8), np.zeros(KEYS, np.uint8)
for _key, _one in BY_KEY.items():
    NEEDED[_key], OWN[_key] = len(_one.reads), _one.mode.length
# What a row lacks, in bits: the byte that is read at this place, or a table for the opcode. LATE is
# an IRQ behind an instruction that changes I one instruction late: it goes by what I was before.
UNBUILT: Final = np.uint8(1 << READS)
LATE: Final = np.uint8(2 << READS)
BYTES: Final = np.uint8(UNBUILT - 1)
_TABLE: Final = np.where(np.isin(np.arange(KEYS), [*BY_KEY]), np.uint8(0), UNBUILT)
_WORDS: Final = {"m": "operand", "pull": "pulled byte", "address": "pointer"}
ACT_LATE: Final = [code for code, one in BY_OPCODE.items() if one.mnemonic in ("CLI", "SEI", "PLP")]
_I: Final = 1 << FLAG_BITS["i"]
# Why such a row is not checked.
LATE_IRQ: Final = ("an IRQ directly behind CLI, SEI or PLP, which act one instruction late", "IRQ")


def why(key: int, lacks: int, variant: str) -> tuple[str, str]:
    """The first reason why rows of a key cannot be checked, and what they count as."""
    if lacks & LATE:
        return LATE_IRQ
    if lacks & UNBUILT:
        reason, _, name = standing(key, variant).partition(": ")
        return reason, name or name_of_key(key)
    return word_of(key, (lacks & -lacks).bit_length() - 1), name_of_key(key)


def word_of(key: int, place: int) -> str:
    """What the byte is that an instruction reads at a place."""
    if place < OWN[key]:
        return LISTS["bytes"][place]
    what = BY_KEY[key].reads[place].partition(".")[0].rstrip("0123456789")
    return _WORDS.get(what, what)


def reason_text(reason: str) -> str:
    """A reason in the words of a report."""
    lacking = {*_WORDS.values(), *LISTS["bytes"], "vector"}
    return f"without {reason}" if reason in lacking else reason


def cases_of(block: Block) -> tuple[Cases, npt.NDArray[np.uint16], npt.NDArray[np.uint8]]:
    """Each row's registers and what it reads, its key, and what it lacks. Raises TraceError."""
    values = block.values
    cases = np.zeros(block.rows, CASE)
    for name in (*REGISTERS, "event"):
        if name in values:
            cases[name] = values[name]
    ordinary = ~happening(cases)
    cases["read_value"][:, 0], there = _read(block, 0, ordinary)
    key = keys_of(cases)
    late = np.zeros(block.rows, np.bool_)
    late[1:] = late_irq(key[:-1], cases["p"][:-1], cases["event"][1:], cases["p"][1:])
    late[1:] &= values["run"][1:] == values["run"][:-1] if "run" in values else True
    late[:1] |= (cases["event"][:1] == 1) & ordinary[:1] & ~there[:1]  # or it has no opcode
    for name in (*_REQUIRED, LISTS["bytes"][0]):
        gaps = ordinary & ~there & ~late if name not in _REQUIRED else block.empty.get(name)
        if gaps is not None and gaps.any():
            raise TraceError(f"{block.place(int(gaps.argmax()))}: no {name}")
    reads, own, lacks = NEEDED[key], OWN[key], np.where(late, LATE, _TABLE[key])
    for i in range(READS):
        column, there = _read(block, i, own > i)
        needed = reads > i
        if i:  # an opcode without a table is shown all the same
            column = column * needed
        cases["read_value"][:, i] = column
        lacks |= (needed & ~there).view(np.uint8) << i
    return cases, key, lacks


def late_irq(before: Any, p_before: Any, event: Any, p: Any) -> npt.NDArray[np.bool_]:
    """Where an IRQ comes behind an instruction, of the key `before`, that changed I too late."""
    late: npt.NDArray[np.bool_] = np.isin(before, ACT_LATE) & (event == 1)
    late &= (p_before ^ p) & _I != 0
    return late


def _read(
    block: Block, place: int, own: npt.NDArray[np.bool_]
) -> tuple[npt.NDArray[np.uint8], npt.NDArray[np.bool_]]:
    """The byte that is read at a place, and where it is known; it is the instruction's `own`."""
    column, there = np.zeros(block.rows, np.uint8), np.zeros(block.rows, np.bool_)
    for name in (f"read_value_{place}", f"bytes_{place}"):
        if name not in block.values:
            continue
        given = own if name in LISTS["bytes"] else np.ones(block.rows, np.bool_)
        if name in block.empty:
            given = given & ~block.empty[name]
        both = there & given & (column != block.values[name])
        if both.any():
            at = block.place(int(both.argmax()))
            raise TraceError(f"{at}: {name} is not read_value_{place}")
        column, there = np.where(given, block.values[name], column), there | given
    return column, there


def by_key(keys: npt.NDArray[np.uint16]) -> tuple[npt.NDArray[np.int64], list[tuple[int, slice]]]:
    """The rows in the order of their keys, and where in that order each key's are."""
    order = np.argsort(keys, kind="stable")
    edges = np.searchsorted(keys[order], np.arange(KEYS + 1)).tolist()
    spans = enumerate(pairwise(edges))
    return order, [(key, slice(*span)) for key, span in spans if span[0] < span[1]]


def answered(
    cases: Cases, key: npt.NDArray[np.uint16], lacks: npt.NDArray[np.uint8], block: Block,
    gates: Gates, some: npt.NDArray[np.int64],
) -> tuple[Cases, Outcomes]:  # fmt: skip
    """Some of the cases, told where they read, and what the gates answer if they have a table.

    A byte that is lacking is read as it stands in the case: what depends on it means nothing. An
    address that was recorded is believed: what was looked up elsewhere shows.
    """
    # All at once into another order and back: row by row it would take longer than the gates.
    order, spans = by_key(np.where(lacks[some] & ~BYTES, np.uint16(KEYS), key[some]))
    cases, expected = taken(cases, some[order]), np.zeros(len(some), OUTCOME)
    cases["read_address"][:, 0] = cases["pc"]  # of what has no table
    for one, span in spans:
        alike, rows, instruction = cases[span], some[order[span]], BY_KEY[one]
        lay_reads(alike, instruction, symbols_of(alike, instruction), gates.variant)
        for i, name in enumerate(LISTS["read_address"][: len(instruction.reads)]):
            if name in block.values:
                given = block.values[name][rows]
                if name in block.empty:
                    given = np.where(block.empty[name][rows], alike["read_address"][:, i], given)
                alike["read_address"][:, i] = given
    built = spans[-1][1].stop if spans else 0
    expected[:built] = gates.execute(cases[:built])
    back = np.empty(len(order), np.int64)
    back[order] = np.arange(len(order))
    return taken(cases, back), taken(expected, back)


def written_of(block: Block) -> tuple[Outcomes, set[str]]:
    """What the rows tell of their own outcomes, and the fields of which they tell nothing."""
    written, absent = np.zeros(block.rows, OUTCOME), set()
    for name in _WRITTEN:
        several = LISTS.get(name, (name,))
        if not all(one in block.values for one in several):
            absent.add(name)
            continue
        columns = written[name].reshape(block.rows, -1)
        for i, one in enumerate(several):
            columns[:, i] = block.values[one]
    return written, absent


def taken(records: npt.NDArray[np.void], rows: npt.NDArray[np.int64]) -> npt.NDArray[np.void]:
    """Some of many records."""
    return unnamed(records).take(rows).view(records.dtype)
