"""The memory that a case stands in: what it lists, and what is found where nothing is listed."""

from collections.abc import Callable, Iterator, Mapping
from contextlib import contextmanager
from contextvars import ContextVar
from itertools import combinations
from typing import Any, Final

import numpy as np
import numpy.typing as npt

from ..family.instructions import Instruction
from .kinds import BY_KEY, alike, keys_of, lay_reads, symbols_of
from .layout import CASE, READS, REGISTERS, Cases, unnamed

Column = npt.NDArray[Any]
#: Where bytes are looked for, by name, if not where they lie: an address out of the registers and
#: the bytes that were read until then; -1 is where nothing lies.
Places = Mapping[str, Callable[[Mapping[str, Any]], Any]]

# Reads that come behind a write: what was listed might be overwritten by then. By key, the address
# of the write and the number of the read.
_OVERWRITTEN: Final = [
    (key, write.address, instruction.reads.index(read.reads))
    for key, instruction in BY_KEY.items()
    for at, read in enumerate(instruction.sequence("nmos"))
    if read.reads
    for write in instruction.sequence("nmos")[:at]
    if write.writes and write.address is not None
]


def lay_out(case: Cases) -> dict[int, int]:
    """The bytes of one case by address; of two that claim a place the first wins."""
    count = int(case["reads"])
    pairs = zip(case["read_address"][:count].tolist(), case["read_value"][:count].tolist(),
                strict=True)  # fmt: skip
    return dict(reversed(list(pairs)))


def possible(cases: Cases) -> npt.NDArray[np.bool_]:
    """Which cases one memory can hold, no byte of it being two things at once.

    The gates are told each byte when they ask for it, wherever it lies; most emulators have a
    memory. What an instruction overwrites before it reads it is left out too: it depends on which
    comes first.
    """
    impossible = np.zeros(len(cases), np.bool_)
    address, value, reads = (cases[name] for name in ("read_address", "read_value", "reads"))
    most = int(reads.max(initial=0))
    for first, second in combinations(range(min(most, READS)), 2):
        same = address[:, first] == address[:, second]
        if same.any():
            impossible |= same & (value[:, first] != value[:, second]) & (reads > second)
    keys = keys_of(cases)
    for key, written, read in _OVERWRITTEN:
        rows = np.flatnonzero(keys == key)
        if len(rows):
            at = written.over(symbols_of(cases[rows], BY_KEY[key]))
            impossible[rows] |= address[rows, read] == at
    return ~impossible


# Bytes that are looked for elsewhere

_COMPLEMENTED: Final = ContextVar("_COMPLEMENTED", default=False)


@contextmanager
def complemented(there: bool) -> Iterator[None]:
    """In it, `there` is whether memory shows the complement of a case's last byte elsewhere.

    Our own witnesses do, a board among them; the shipped adapters clear the rest.
    """
    token = _COMPLEMENTED.set(there)
    try:
        yield
    finally:
        _COMPLEMENTED.reset(token)


def found_at(cases: Cases, address: Any) -> Column:
    """The byte of each case that lies at an address; what is elsewhere, where it lists none."""
    found = np.zeros(len(cases), np.int32)
    if _COMPLEMENTED.get():
        last = cases["reads"].astype(np.intp) - 1
        found += ~cases["read_value"][np.arange(len(cases)), last]
    for i in reversed(range(READS)):  # of two that claim a place the first wins
        here = (cases["read_address"][:, i] == address) & (cases["reads"] > i)
        found = np.where(here, cases["read_value"][:, i], found)
    return found


def reread(
    asked: Cases,
    laid_out: Cases,
    variant: str,
    places: Callable[[Instruction, Cases], Places] | None = None,
) -> Cases:
    """Cases that read, their opcodes apart, what they find in the memory of others.

    What a case does not list is 0 as the shipped adapters clear it, or as in `complemented`.
    """
    found = asked.copy()
    for key, rows in alike(keys_of(asked)):
        form = BY_KEY[key]
        memory, some = (unnamed(of).take(rows).view(CASE) for of in (laid_out, asked))
        elsewhere = places(form, memory) if places else {}
        columns: dict[str, Any] = {name: some[name].astype(np.int32) for name in REGISTERS}
        columns["opcode"] = form.opcode
        for clock in form.sequence(variant):
            if clock.reads and clock.reads != "opcode" and clock.address is not None:
                address = elsewhere.get(clock.reads, clock.address.over)(columns)
                columns[clock.reads] = found_at(memory, address)
        lay_reads(some, form, columns, variant)
        unnamed(found)[rows] = unnamed(some)
    return found
