"""The rows of a trace as cases: what each column is, and what a row lacks to be checked.

What an instruction reads follows from its published clocks.
"""

from itertools import pairwise
from typing import Final

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
from ..family.instructions import standing
from ..witness.gates import Gates
from .columns import LISTS, Block
from .parts import TraceError

_WRITTEN: Final = ("cycles", "writes", "write_value", "write_address")
_REQUIRED: Final = (*REGISTERS, "run")  # where there is a run at all

# By key: how many bytes are read, and how many of them are the instruction's own.
_READS, _OWN = np.zeros(KEYS, np.uint8), np.zeros(KEYS, np.uint8)
for _key, _one in BY_KEY.items():
    _READS[_key], _OWN[_key] = len(_one.reads), _one.mode.length
# What a row lacks, in bits: the byte that is read at this place, or a table for the opcode.
UNBUILT: Final = np.uint8(1 << READS)
_TABLE: Final = np.where(np.isin(np.arange(KEYS), [*BY_KEY]), np.uint8(0), UNBUILT)
_WORDS: Final = {"m": "operand", "pull": "pulled byte"}


def why(key: int, lacks: int, variant: str) -> tuple[str, str]:
    """The first reason why rows of a key cannot be checked, and what they count as."""
    if lacks & UNBUILT:
        reason, _, name = standing(key, variant).partition(": ")
        return reason, name or name_of_key(key)
    first = (lacks & -lacks).bit_length() - 1
    if first < _OWN[key]:
        return LISTS["bytes"][first], name_of_key(key)
    what = BY_KEY[key].reads[first].partition(".")[0].rstrip("0123456789")
    return _WORDS.get(what, what), name_of_key(key)


def reason_text(reason: str) -> str:
    """A reason in the words of a report."""
    return reason if "documented" in reason else f"without {reason}"


def cases_of(block: Block) -> tuple[Cases, npt.NDArray[np.uint16], npt.NDArray[np.uint8]]:
    """Each row's registers and what it reads, its key, and what it lacks. Raises TraceError."""
    values = block.values
    cases = np.zeros(block.rows, CASE)
    for name in (*REGISTERS, "event"):
        if name in values:
            cases[name] = values[name]
    ordinary = ~happening(cases)
    cases["read_value"][:, 0], there = _read(block, 0, ordinary)
    for name in (*_REQUIRED, LISTS["bytes"][0]):
        gaps = ordinary & ~there if name not in _REQUIRED else block.empty.get(name)
        if gaps is not None and gaps.any():
            raise TraceError(f"{block.place(int(gaps.argmax()))}: no {name}")
    key = keys_of(cases)
    reads, own, lacks = _READS[key], _OWN[key], _TABLE[key]
    for i in range(READS):
        column, there = _read(block, i, own > i)
        needed = reads > i
        if i:  # an opcode without a table is shown all the same
            column = column * needed
        cases["read_value"][:, i] = column
        lacks |= (needed & ~there).view(np.uint8) << i
    return cases, key, lacks


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
    gates: Gates,
) -> tuple[Cases, Outcomes]:  # fmt: skip
    """The cases, told where they read, and what the gates answer where nothing is lacking.

    An address that was recorded is believed: what was looked up elsewhere shows.
    """
    # All at once into another order and back: row by row it would take longer than the gates.
    order, spans = by_key(np.where(lacks, np.uint16(KEYS), key))
    cases, expected = taken(cases, order), np.zeros(len(cases), OUTCOME)
    for one, span in spans:
        some, rows, instruction = cases[span], order[span], BY_KEY[one]
        lay_reads(some, instruction, symbols_of(some, instruction))
        for i, name in enumerate(LISTS["read_address"][: len(instruction.reads)]):
            if name in block.values:
                given = block.values[name][rows]
                if name in block.empty:
                    given = np.where(block.empty[name][rows], some["read_address"][:, i], given)
                some["read_address"][:, i] = given
        unnamed(expected)[span] = unnamed(gates.execute(some))
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
