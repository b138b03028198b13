"""Bytes that a trace did not record, out of memory as the trace itself showed it before.

Where they come from may depend on other such bytes: an address on a pointer, what is there on a
store through another one. So all is guessed at once, each byte from the access before it, stores
to unknown addresses left out, and again with what this has told, until nothing changes. Then each
guess follows from earlier ones, and by induction on the time all are right; but for what lies
behind a store whose address is still unknown, which is taken back.
"""

from functools import lru_cache
from typing import Final

import numpy as np
import numpy.typing as npt

from ..cases.kinds import BY_KEY, KEYS, lay_reads, symbols_of
from ..cases.layout import CASE, REGISTERS, WRITES, Cases, unnamed
from ..family.status_byte import FLAG_BITS
from ..witness.gates import Gates
from .accesses import (
    ASKED,
    CHANGED,
    EARLY,
    FORMED_STORE,
    FORMING,
    SLOTS,
    UNKNOWN,
    WRITTEN,
    Accesses,
    Happened,
    accesses_of,
)
from .rows import by_key, taken

ROUNDS: Final = 16  # of guesses; a trace that takes more has less recalled
_NOTHING: Final = 256  # instead of a byte that is not known
_C: Final = 1 << FLAG_BITS["c"]


def recalled(
    cases: Cases, key: npt.NDArray[np.uint16], lacks: npt.NDArray[np.uint8], happened: Happened,
    known: tuple[npt.NDArray[np.uint16], npt.NDArray[np.uint8]],
    followed: npt.NDArray[np.bool_], gates: Gates,
) -> npt.NDArray[np.uint8]:  # fmt: skip
    """Puts what is `known` from before, or was shown since, into the cases that lack it.

    Tells what they still lack. The `happened.writes` get their addresses.
    """
    changes = key.astype(np.int64) << 1 | cases["p"] & _C
    # Those whose addresses wait for what they lack, an instruction each.
    waiting = np.flatnonzero(lacks & FORMING[key])
    order, spans = by_key(key[waiting])
    groups = [(one, waiting[order[span]]) for one, span in spans]
    still, optimistic = lacks, True
    for left in reversed(range(ROUNDS)):
        for one, rows in groups:
            instruction, some = BY_KEY[one], taken(cases, rows)
            symbols = symbols_of(some, instruction)
            lay_reads(some, instruction, symbols, gates.variant)
            unnamed(cases)[rows] = unnamed(some)
            if not happened.recorded and FORMED_STORE[one] and instruction.mode.address:
                address = instruction.mode.address.over(symbols)
                happened.writes["write_address"][rows] = address[:, None]
        accesses = accesses_of(cases, key, lacks, still, happened, optimistic=optimistic)
        row, place, value = _before(accesses.among(followed), key, changes, known, gates)
        there, found = value != _NOTHING, lacks.copy()
        np.bitwise_and.at(found, row[there], ~(np.uint8(1) << place[there]))
        value = np.where(there, value, 0).astype(np.uint8)
        same = np.array_equal(found, still)
        same = same and np.array_equal(cases["read_value"][row, place], value)
        still, cases["read_value"][row, place] = found, value
        if same and not optimistic:
            return still
        optimistic = optimistic and not same and left > ROUNDS // 2
    return lacks


def _before(
    accesses: Accesses, key: npt.NDArray[np.uint16], changes: npt.NDArray[np.int64],
    known: tuple[npt.NDArray[np.uint16], npt.NDArray[np.uint8]], gates: Gates,
) -> tuple[npt.NDArray[np.int64], npt.NDArray[np.uint8], npt.NDArray[np.int16]]:  # fmt: skip
    """What was there before each byte that is asked for: its row, its place, and the value."""
    ahead = len(known[0])
    address = np.concatenate([known[0], accesses.address])
    order = np.argsort(address, kind="stable")
    address = address[order]
    time = np.concatenate([np.full(ahead, -1), accesses.time])[order]
    kind = np.concatenate([np.full(ahead, WRITTEN, np.uint8), accesses.kind])[order]
    value = np.concatenate([known[1], accesses.value])[order].astype(np.int16)
    value[kind == UNKNOWN] = _NOTHING
    epoch = np.searchsorted(accesses.resets, time, side="right")

    changed = kind == CHANGED
    number = np.cumsum(changed)
    source = np.maximum.accumulate(np.where(kind < ASKED, np.arange(len(kind)), 0))
    some = np.flatnonzero(kind >= ASKED)
    source = source[some]
    right = (kind[source] < ASKED) & (address[source] == address[some])
    right &= epoch[source] == epoch[some]
    inputs = np.where(right, value[source], np.int16(_NOTHING))
    # How many changes lie between: each is a function of what the one before it has left.
    ranks = np.where(right, number[some] - number[source] - changed[some], 0)
    left = np.full(int(number[-1]) if len(number) else 0, _NOTHING, np.int16)
    chain = np.flatnonzero(changed[some] & right)
    chain = chain[np.argsort(ranks[chain], kind="stable")]
    edges = np.flatnonzero(np.diff(ranks[chain], prepend=-1))
    table, rows = _changes(gates.variant), time[some] // SLOTS
    for wave in np.split(chain, edges[1:]):
        which = number[some[wave]] - 1
        begin = left[which - 1] if len(wave) and ranks[wave[0]] else inputs[wave]
        left[which] = table[changes[rows[wave]], begin]
    asked = kind[some] == ASKED
    last = left[number[some] - 1] if len(left) else inputs
    found = np.where(ranks > 0, last, inputs)[asked]
    rows = rows[asked]
    slot = (time[some] % SLOTS)[asked].astype(np.uint8)
    return rows, np.where(slot < EARLY[key[rows]], slot, slot - np.uint8(WRITES)), found


@lru_cache(maxsize=4)
def _changes(variant: str) -> npt.NDArray[np.int16]:
    """What a modify makes of each byte, by twice its key and the carry; of nothing, nothing."""
    found = np.full((2 * KEYS, _NOTHING + 1), _NOTHING, np.int16)
    gates = Gates(variant)
    for key, one in BY_KEY.items():
        if one.access == "modify":
            cases = np.zeros((2, _NOTHING), CASE)
            cases["p"] = [[0], [_C]]
            columns = dict.fromkeys((*REGISTERS, *one.reads), 0) | {"m": np.arange(_NOTHING)}
            lay_reads(cases, one, columns, variant)
            outcomes = gates.execute(cases)
            last = outcomes["writes"][..., None].astype(np.intp) - 1
            stored = np.take_along_axis(outcomes["write_value"], last, axis=-1)
            found[2 * key : 2 * key + 2, :_NOTHING] = stored[..., 0]
    return found
