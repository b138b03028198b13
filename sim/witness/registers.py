"""The registers between two instructions, and an opcode at which a run stops."""

from typing import NamedTuple

from ..family.instructions import BY_OPCODE, standing


class StoppedError(Exception):
    """The unit fetched an opcode that is not built."""

    def __init__(self, opcode: int, address: int, variant: str) -> None:
        """Keeps as attributes the opcode, where it lies, and how it stands."""
        self.standing = standing(opcode, variant)
        super().__init__(f"opcode {opcode:02X} at {address:04X}: {self.standing}")
        self.opcode, self.address = opcode, address


class Registers(NamedTuple):
    """The state between two instructions; `p` has bits 4 and 5 set."""

    pc: int
    a: int
    x: int
    y: int
    sp: int
    p: int


def name_of(opcode: int) -> str:
    """The mnemonic, or "?" for an opcode that is not built."""
    entry = BY_OPCODE.get(opcode)
    return entry.mnemonic if entry else "?"
