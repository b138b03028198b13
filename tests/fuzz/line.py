"""What may come over a board's line: the bench at its end takes only what was sent whole."""

from __future__ import annotations

import binascii
from pathlib import Path
from unittest.mock import patch

import numpy as np
from hypothesis import strategies as st

from carrywave.sim.board import serial_line
from carrywave.sim.board.frames import ANSWER, CASE_KIND, HELLO, framed
from carrywave.sim.board.serial_line import Board
from carrywave.sim.cases.layout import CASE, OUTCOME, WRITES

ASKED = 4  # cases, under the tags 0 to 3
PATIENCE = 3.0  # seconds by the line's own clock until one that says nothing of use is given up

registers = st.binary(min_size=7, max_size=7)


@st.composite
def answers(draw: st.DrawFn) -> bytes:
    """The payload of an answer, mostly one that is right."""
    writes = draw(st.integers(0, WRITES + 1))
    told = min(writes, WRITES) + draw(st.sampled_from((0,) * 12 + (1,)))
    cycles = draw(st.sampled_from((2, 3, 4, 5, 6, 7, 7, 7, 7, 0)))
    body = draw(st.binary(min_size=3 * told, max_size=3 * told))
    return draw(registers) + bytes([cycles | writes << 4]) + body


def one_frame(tag: int) -> st.SearchStrategy[bytes]:
    return answers().map(lambda payload: framed(payload, CASE_KIND | ANSWER, tag))


strays = (
    st.integers(0, 255).flatmap(one_frame)
    | st.builds(framed, st.binary(max_size=20), st.integers(0, 255), st.integers(0, 5))
    | st.just(framed(b"\1\0\0\x0a\x2e\xe0", HELLO | ANSWER, 0))
    | st.binary(max_size=300)
    | st.sampled_from((b"\x7e", b"\x7d", b"\x7e" * 40, b"\x7d\x7e", b"\x7d" * 300, b"\0" * 5000))
)


@st.composite
def lines(draw: st.DrawFn) -> bytes:
    """What comes, and in front in how large pieces, and whether noise without end follows."""
    sent = [draw(one_frame(tag)) for tag in range(ASKED)]
    damage = draw(st.sampled_from(("none", "one bit", "frames", "bytes")))
    if damage in ("frames", "bytes"):
        for _ in range(draw(st.integers(1, 3))):
            at = draw(st.integers(0, len(sent)))
            sent[at : at + draw(st.integers(0, 1))] = [draw(strays)]
    data = bytearray(b"".join(sent))
    if damage == "one bit":
        data[draw(st.integers(0, len(data) - 1))] ^= 1 << draw(st.integers(0, 7))
    elif damage == "bytes":  # are lost, come twice, or are others
        for _ in range(draw(st.integers(1, 2))):
            at, much = draw(st.integers(0, len(data))), draw(st.integers(0, 12))
            again = bytes(data[at : at + much]) * 2
            other = st.just(b"") | st.just(again) | st.binary(max_size=much)
            data[at : at + much] = draw(other)
    return bytes([draw(st.integers(1, 255)), draw(st.integers(0, 1))]) + bytes(data)


class Line:
    """A port at whose other end somebody greets, and then says what he likes.

    It is a clock too, which goes on while nothing of use comes: no machine is too slow for it.
    """

    timeout: float | None = None

    def __init__(self, data: bytes) -> None:
        self.pieces, self.endless, self.rest = data[0], data[1], data[2:]
        self.greeting = b""
        self.now = 0.0

    def monotonic(self) -> float:
        return self.now

    @property
    def in_waiting(self) -> int:
        return self.pieces - 1

    def write(self, data: bytes) -> None:
        if data.count(b"\x7e") == 2 and data[1] == HELLO:  # a question of who is there: its tag
            content = data.strip(b"\x7e")
            tag = content[1] if content[1] != 0x7D else content[2] ^ 0x20
            self.greeting = framed(b"\1\0\0\x0a\x2e\xe0", HELLO | ANSWER, tag)

    def read(self, size: int) -> bytes:
        if self.greeting:
            found, self.greeting = self.greeting[:size], self.greeting[size:]
        else:
            found, self.rest = self.rest[:size], self.rest[size:]
        if not found:
            self.now += self.timeout or 1.0
        return found or b"\x55" * size * self.endless

    def close(self) -> None: ...


def whole(data: bytes) -> dict[int, set[bytes]]:
    """The answers that were sent whole, by their tag, read as RFC 1662 says (from memory)."""
    found: dict[int, set[bytes]] = {}
    for between in data.split(b"\x7e")[:-1]:
        content, escaped = bytearray(), False
        for byte in between:
            if byte == 0x7D and not escaped:
                escaped = True
                continue
            content.append(byte ^ 0x20 if escaped else byte)
            escaped = False
        right = binascii.crc32(content[:-4]) == int.from_bytes(content[-4:], "little")
        if right and len(content) >= 6 and content[-6] == CASE_KIND | ANSWER:
            found.setdefault(content[-5], set()).add(bytes(content[:-6]))
    return found


def read_line(path: Path) -> None:
    """Asks some cases. Raises AssertionError where an outcome is none that was sent."""
    data = path.read_bytes()
    line = Line(data)
    with patch.object(serial_line, "time", line), Board(line, "line", PATIENCE) as board:
        board._number = 255  # so that the first tag is 0
        cases = np.zeros(ASKED, CASE)
        cases["reads"] = 1
        outcomes = board.execute(cases)
    sent = whole(data[2:])
    for tag, outcome in enumerate(outcomes):
        assert any(told(outcome) == told_by(payload) for payload in sent.get(tag, ())), (tag, sent)


def told(outcome: np.void) -> tuple[int, ...]:
    """An outcome's numbers one after another: PC, A, X, Y, SP, P, clocks, writes, and what."""
    assert outcome.dtype == OUTCOME
    pc, a, x, y, sp, p, cycles, writes, values, addresses = outcome.item()
    return (pc, a, x, y, sp, p, cycles, writes, *values, *addresses)


def told_by(payload: bytes) -> tuple[int, ...]:
    """The same of an answer's bytes."""
    pairs = payload[8:].ljust(3 * WRITES, b"\0")
    values = [*pairs[::3]]
    addresses = [256 * high + low for high, low in zip(pairs[1::3], pairs[2::3], strict=True)]
    pc = 256 * payload[0] + payload[1]
    return (pc, *payload[2:7], payload[7] & 15, payload[7] >> 4, *values, *addresses)
