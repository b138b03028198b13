"""What goes over a board's line: frames with a checksum, cases and outcomes in them.

The protocol stands in DEVELOPERS.md; the frames are those of RFC 1662 (from memory), with a CRC-32.
"""

from __future__ import annotations

import struct
import zlib
from collections.abc import Iterable
from dataclasses import dataclass
from typing import Any, Final, Self

import numpy as np

from ..cases.layout import CASE, OUTCOME, READS, WRITES, Cases, Outcomes
from ..emulator.called import EmulatorError
from ..family.members import VARIANTS

FLAG: Final = 0x7E
VERSION: Final = 1
HELLO, CASE_KIND, BLOCK_KIND, ANSWER = 0, 1, 2, 0x80
LONGEST: Final = 96  # bytes between two flags, at most: the longest frame with every byte escaped

_HELLO: Final = struct.Struct(">BBBBH")  # version, variant, socket, log2 of its room, kHz
_READ: Final = struct.Struct(">BH")
_REGISTERS: Final = struct.Struct(">HBBBBBB")
# Backslash first when they are put in, last when taken out: each is one of the two bytes.
_ESCAPED: Final = ((b"\x7d", b"\x7d\x5d"), (b"\x7e", b"\x7d\x5e"))


class NoEndError(EmulatorError):
    """The unit did not come to the end of a case, or was out of step with the player."""


def framed(payload: bytes, kind: int, tag: int) -> bytes:
    """A frame, its flag behind it."""
    content = payload + bytes([kind, tag])
    content += zlib.crc32(content).to_bytes(4, "little")
    for plain, escaped in _ESCAPED:
        content = content.replace(plain, escaped)
    return content + bytes([FLAG])


def unframed(between: bytes) -> tuple[bytes, int, int] | None:
    """What stands between two flags: payload, kind and tag; None where it is not whole."""
    for plain, escaped in reversed(_ESCAPED):
        between = between.replace(escaped, plain)
    content, checksum = between[:-4], between[-4:]
    if len(content) < 2 or zlib.crc32(content).to_bytes(4, "little") != checksum:
        return None
    return content[:-2], content[-2], content[-1]


def case_payload(case: Cases, reads: int = 0) -> bytes:
    """The bytes of one case; filled up in front to so many reads."""
    fields: Any = case.item()
    event, count, pc, a, x, y, sp, p, values, addresses = fields
    pairs = [*zip(values, addresses, strict=True)][:count]
    told = b"".join(_READ.pack(int(value), int(address)) for value, address in pairs)
    told = told.rjust(3 * reads, b"\0")
    return told + _REGISTERS.pack(pc, a, x, y, sp, p, event | count << 4)


def block_payload(case: Cases, first: int, count: int) -> bytes:
    """The bytes of a block of cases: those numbered from `first` on of what `case` stands for."""
    return count.to_bytes(3, "big") + first.to_bytes(3, "big") + case_payload(case, READS)


def outcome_of(payload: bytes) -> Outcomes:
    """The outcome that a board tells. Raises ValueError for bytes that are none, NoEndError."""
    if len(payload) < _REGISTERS.size:
        raise ValueError("too short for an outcome")
    pc, a, x, y, sp, p, counts = _REGISTERS.unpack_from(payload)
    cycles, writes = counts & 15, counts >> 4
    kept = min(writes, WRITES)
    if len(payload) != _REGISTERS.size + kept * _READ.size:
        raise ValueError("no outcome of this many writes")
    if not cycles:
        raise NoEndError("the unit does not come to an end, or is out of step with the player")
    pairs = [*_READ.iter_unpack(payload[_REGISTERS.size :])] + [(0, 0)] * (WRITES - kept)
    outcome = np.zeros((), OUTCOME)
    values, addresses = zip(*pairs, strict=True)
    outcome[()] = (pc, a, x, y, sp, p, cycles, writes, values, addresses)
    return outcome


def told_bytes(outcomes: Outcomes) -> bytes:
    """The answers to cases that end as these do, one behind another."""
    columns = np.zeros((len(outcomes), 8 + 3 * WRITES), np.uint8)
    columns[:, 0], columns[:, 1] = outcomes["pc"] >> 8, outcomes["pc"] & 255
    for place, name in enumerate(("a", "x", "y", "sp", "p"), 2):
        columns[:, place] = outcomes[name]
    columns[:, 7] = outcomes["cycles"] | outcomes["writes"] << 4
    for i in range(WRITES):
        columns[:, 8 + 3 * i] = outcomes["write_value"][:, i]
        columns[:, 9 + 3 * i] = outcomes["write_address"][:, i] >> 8
        columns[:, 10 + 3 * i] = outcomes["write_address"][:, i] & 255
    lengths = 8 + 3 * np.minimum(outcomes["writes"], WRITES)
    told: bytes = columns[np.arange(columns.shape[1]) < lengths[:, None]].tobytes()
    return told


@dataclass(frozen=True)
class Facts:
    """What a board says of itself."""

    variant: str
    socket: bool  # a member in a socket, not the unit in the chip
    room: int  # bytes that it can hold
    kilohertz: int

    @classmethod
    def of(cls, payload: bytes, name: str) -> Self:
        """Raises EmulatorError for a board that speaks another version, or not sense."""
        if payload[:1] != bytes([VERSION]):
            other = f"version {payload[0]}" if payload else "no version"
            raise EmulatorError(
                f"{name}: the board speaks {other} of the protocol, this is {VERSION}: "
                "build and load it again"
            )
        if len(payload) != _HELLO.size or payload[1] >= len(VARIANTS) or payload[3] > 16:
            raise EmulatorError(f"{name}: no board of ours answers there")
        _, variant, socket, room, kilohertz = _HELLO.unpack(payload)
        return cls(VARIANTS[variant], bool(socket), 1 << room, kilohertz)


class Splitter:
    """Takes whole frames out of what comes, in pieces of any size."""

    def __init__(self) -> None:
        self._rest = b""
        self.broken = 0  # what came between two flags and was no frame

    def frames(self, data: bytes) -> Iterable[tuple[bytes, int, int]]:
        """Those that are whole by now: payload, kind and tag of each."""
        *whole, self._rest = (self._rest + data).split(bytes([FLAG]))
        if len(self._rest) > LONGEST:  # of one without end only the end can be of use
            self._rest = self._rest[-LONGEST:]
        for between in whole:
            found = unframed(between)
            if found is not None:
                yield found
            elif between:
                self.broken += 1


def made_cases(base: Cases, first: int, count: int) -> Cases:
    """The cases that a board makes of one for a block, as `PlayerCore` says."""
    number = np.arange(first, first + count)
    cases = np.repeat(np.asarray(base, CASE).reshape(1), count)
    last = int(base["reads"]) - 1
    cases["read_value"][:, last] ^= (number & 255).astype(np.uint8)
    for register in "axy":
        cases[register] ^= (number >> 8 & 255).astype(np.uint8)
    cases["p"] ^= (number >> 16 & 1 | (number >> 17 & 1) << 3).astype(np.uint8)
    return cases
