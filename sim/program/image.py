"""What an assembler makes of a listing: memory, pin events, lines."""

from dataclasses import dataclass


@dataclass(frozen=True, slots=True)
class PinEvent:
    """A pin set to `level` each time the instruction at `address` is fetched.

    `delay` counts clocks from that fetch: at 0 the pin is set in the clock of the fetch itself.
    `width` counts the clocks until it goes back; 0 is until another event. The fetch that an
    interrupt's entry discards is not one.
    """

    address: int
    pin: str  # "irq_n", "nmi_n" or "reset_n"
    level: int
    delay: int
    width: int


@dataclass(frozen=True, slots=True)
class SourceLine:
    """A line of the listing: its number, from 1, and its text without comment and outer spaces."""

    number: int
    text: str


@dataclass(slots=True)
class Program:
    """An assembled listing.

    `memory` is all 65,536 bytes, 0 where the listing says nothing; `origin` the first ``.org``,
    which the reset vector holds unless the listing writes FFFC or FFFD; `lines` the source at each
    address where an instruction or data begins; `labels` every name, those of ``=`` included.
    """

    memory: bytearray
    origin: int
    lines: dict[int, SourceLine]
    pin_events: dict[int, tuple[PinEvent, ...]]
    labels: dict[str, int]
