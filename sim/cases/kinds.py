"""What a case is: which instruction, and what it reads by name; and in words."""

import json
from collections.abc import Iterable, Iterator, Mapping
from typing import Any, Final

import numpy as np
import numpy.typing as npt

from ..family.instructions import BY_MNEMONIC, BY_OPCODE, ENTRIES, NAMES, Instruction
from ..family.members import EVENTS
from .layout import REGISTERS, Cases, plain

#: A key is an opcode, or 256 times the event whose entry comes instead.
KEYS: Final = 256 * len(EVENTS)
BY_KEY: Final[Mapping[int, Instruction]] = {
    **BY_OPCODE, **{EVENTS.index(name) << 8: entry for name, entry in ENTRIES.items()},
}  # fmt: skip
_ORDER: Final = {name: i for i, name in enumerate(NAMES)}
_I: Final = 4  # in the status byte


def happening(cases: Cases) -> npt.NDArray[np.bool_]:
    """In which cases an entry comes: a masked IRQ is the instruction that runs instead.

    Raises ValueError for an unknown event.
    """
    event = cases["event"]
    if not event.any():  # by far the most usual
        return np.zeros(event.shape, np.bool_)
    if len(event) and event.max() >= len(EVENTS):
        raise ValueError(f"event {event.max()}: expected 0 to {len(EVENTS) - 1}")
    found: npt.NDArray[np.bool_] = (event > 1) | ((event == 1) & (cases["p"] & _I == 0))
    return found


def keys_of(cases: Cases) -> npt.NDArray[np.uint16]:
    """The key of each case."""
    keys: npt.NDArray[np.uint16] = cases["read_value"][:, 0].astype(np.uint16)
    comes = happening(cases)
    if comes.any():
        keys[comes] = cases["event"][comes].astype(np.uint16) << 8
    return keys


def name_of_key(key: int) -> str:
    """The mnemonic or the event; an opcode in hex where it is not built."""
    return BY_KEY[key].mnemonic if key in BY_KEY else f"{key:02X}"


def instruction_of(case: Cases) -> str:
    """What one case counts as: a mnemonic, "IRQ", "NMI" or "RESET"; a masked IRQ is no IRQ."""
    return name_of_key(_key_of(case))


def _key_of(case: Cases) -> int:
    return int(keys_of(np.asarray(case).reshape(1))[0])


def alike(keys: npt.NDArray[Any]) -> Iterator[tuple[int, npt.NDArray[np.int64]]]:
    """The rows of each key, in the order of the keys."""
    for key in np.flatnonzero(np.bincount(keys, minlength=1)).tolist():
        yield key, np.flatnonzero(keys == key)


def forms_of(name: str) -> tuple[Instruction, ...]:
    """A mnemonic in each of its modes; an event is its own. Raises KeyError for another name."""
    return (ENTRIES[name],) if name in ENTRIES else tuple(BY_MNEMONIC[name].values())


def in_order(names: Iterable[str]) -> list[str]:
    """Mnemonics by the alphabet, then the events: the same however the parts were merged."""
    return sorted(names, key=lambda name: (_ORDER.get(name, len(_ORDER)), name))


def lay_reads(
    cases: Cases, instruction: Instruction, columns: Mapping[str, Any], variant: str = "nmos"
) -> None:
    """Fills in what an instruction reads, and where, out of columns by the names of its clocks.

    The columns have at least 16 bits, or are numbers, and broadcast to the shape of the cases. The
    members read the same bytes, but not all at the same address.
    """
    columns = {**columns, "opcode": instruction.opcode}
    clocks = [clock for clock in instruction.sequence(variant) if clock.reads]
    cases["reads"] = len(clocks)
    for i, clock in enumerate(clocks):
        assert clock.address is not None
        cases["read_value"][..., i] = columns[clock.reads]
        cases["read_address"][..., i] = clock.address.over(columns)


class Symbols(dict[str, npt.NDArray[Any]]):
    """Registers and bytes read by name, of cases that are all of one instruction.

    A column, of integers of the given `kind`, is made when it is first asked for.
    """

    def __init__(self, cases: Cases, instruction: Instruction, kind: Any = np.uint16) -> None:
        super().__init__()
        self.cases, self.kind = cases, kind
        self.places = {name: i for i, name in enumerate(instruction.reads)}

    def __missing__(self, name: str) -> npt.NDArray[Any]:
        place = self.places.get(name)
        column = self.cases[name] if place is None else self.cases["read_value"][..., place]
        self[name] = found = column.astype(self.kind)
        return found


def symbols_of(cases: Cases, instruction: Instruction) -> dict[str, npt.NDArray[np.uint16]]:
    """All `Symbols` of the cases as a plain dictionary."""
    symbols = Symbols(cases, instruction)
    return {name: symbols[name] for name in (*REGISTERS, *instruction.reads)}


# In words


def facts_of(case: Cases) -> list[str]:
    """What a case reads beside its instruction: the operand and where it lies, what is pulled."""
    key = _key_of(case)
    if key not in BY_KEY:
        return []
    facts, pulled, vector = [], [], 0
    pairs = zip(case["read_address"].tolist(), case["read_value"].tolist(), strict=True)
    length = BY_KEY[key].mode.length
    for name, (address, value) in list(zip(BY_KEY[key].reads, pairs, strict=False))[length:]:
        if name == "m":
            facts.append(f"operand {value:02X} at {address:04X}")
        elif name.startswith("pull"):
            pulled.append(f"{value:02X}")
        elif name == "vector.low":
            vector = value
        elif name == "vector.high":
            facts.append(f"vector {value:02X}{vector:02X}")
    return [*facts, *([f"above SP {' '.join(pulled)}"] if pulled else [])]


def code_of(case: Cases) -> str:
    """The bytes of a case's instruction in hex; nothing for an event."""
    key = _key_of(case)
    length = BY_KEY[key].mode.length if key in BY_KEY else 1
    return " ".join(f"{byte:02X}" for byte in case["read_value"][:length].tolist())


def describe_case(case: Cases | None) -> list[str]:
    """A case in two lines for people and one for programs; no lines for none."""
    if case is None:
        return []
    head = f"{instruction_of(case)} {code_of(case)}".rstrip()
    registers = " ".join(f"{name}={case[name]:02X}" for name in ("a", "x", "y", "sp", "p"))
    return [
        "; ".join([f"{head} at {case['pc']:04X}", *facts_of(case)]),
        registers,
        json.dumps(plain(case), separators=(",", ":")),
    ]
