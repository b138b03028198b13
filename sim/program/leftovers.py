"""What an instruction leaves in registers that no program sees, and the next one does not read."""

from ..family.address import Term, join, named
from ..family.instructions import Instruction


def address_left(instruction: Instruction, variant: str) -> Term | None:
    """What the operand's address register holds then; None if it holds what it held before."""
    if instruction.access:
        return instruction.mode.address
    if _through(instruction):  # the second byte's place
        low, high = named("pointer.low"), named("pointer.high")
        return join(high, low) + 1 if variant == "cmos" else join(high, low + 1)
    return None


def byte_left(instruction: Instruction) -> str:
    """The byte that the latch holds then, by its name; "" if it holds what it held before."""
    if instruction.mnemonic in ("PLA", "PLP"):
        return ""
    if _through(instruction):
        return "address.low"
    stores = instruction.access == "write"
    if stores and not instruction.pointer:
        return ""
    pulled = "pull1" if instruction.mnemonic == "RTI" else "pull0"
    named_last = "pointer.low" if "pointer.low" in instruction.reads else "address.low"
    for name in ("m", "offset", "vector.low", pulled, named_last):
        if name in instruction.reads:
            return name
    return ""


def _through(instruction: Instruction) -> bool:
    """Whether it is the jump through a pointer."""
    return instruction.mnemonic == "JMP" and "pointer.low" in instruction.reads
