"""The members of the family that the hardware can be built as."""

from amaranth.lib import enum

__all__ = ["Variant"]


class Variant(enum.Enum):
    """A build-time parameter of the hardware; it never becomes a signal.

    ``NMOS``    decimal mode with the flags of the uncorrected sum; interrupts leave D alone
    ``CMOS``    decimal mode with the flags of the corrected sum, a clock more; interrupts clear D
    ``BINARY``  NMOS with decimal mode disconnected: D is stored and pushed, and no sum heeds it
    """

    NMOS = "nmos"
    CMOS = "cmos"
    BINARY = "binary"
