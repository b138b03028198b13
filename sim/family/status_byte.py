"""The status byte: which bit each flag is. Bits 4 and 5 are no flags."""

from typing import Any, Final

#: As they lie in the byte, the highest first: the order of every report.
FLAG_BITS: Final = {"n": 7, "v": 6, "d": 3, "i": 2, "z": 1, "c": 0}
FLAGS: Final = "".join(FLAG_BITS)
LOWEST_FIRST: Final = FLAGS[::-1]
FLAG_MASK: Final = sum(1 << bit for bit in FLAG_BITS.values())
ALWAYS: Final = 0xFF - FLAG_MASK  # what PHP pushes for bits 4 and 5


def status_of(flags: Any) -> Any:
    """The byte of six flags by name, numbers or columns, bits 4 and 5 set."""
    return ALWAYS + sum(flags[name] << bit for name, bit in FLAG_BITS.items())


def flags_of(status: Any) -> dict[str, Any]:
    """The six flags of a byte, or of a column of bytes, 0 or 1 each."""
    return {name: status >> bit & 1 for name, bit in FLAG_BITS.items()}
