"""A board in memory, that knows the answers: what tests of the line put at its other end."""

import random
import zlib

from carrywave.sim.board.frames import BLOCK_KIND, CASE_KIND, HELLO, Splitter, framed, told_bytes
from carrywave.sim.board.frames import case_payload as payload_of

FACTS = bytes([1, 0, 0, 11, 0x2E, 0xE0])  # nmos, 2048 bytes, 12 MHz


class PlayedPort:
    """A port with a board behind it. Of every `one_in` bytes one is lost, doubled or torn."""

    timeout = None
    in_waiting = 0

    def __init__(self, cases, outcomes, facts=FACTS, one_in=0, seed=1, blocks=None):
        self.answers = {payload_of(one): told_bytes(outcomes[i : i + 1])
                        for i, one in enumerate(cases)}  # fmt: skip
        self.facts, self.one_in, self.blocks = facts, one_in, blocks
        self.noise, self.splitter, self.waiting = random.Random(seed), Splitter(), b""
        self.hurt, self.most, self.held = 0, 0, 0
        self.closed = False

    def over(self, data):
        """What arrives of bytes."""
        arrived = bytearray()
        for byte in data:
            if self.one_in and not self.noise.randrange(self.one_in):
                self.hurt += 1
                torn = byte ^ 1 << self.noise.randrange(8)
                arrived += self.noise.choice([b"", bytes([byte, byte]), bytes([torn])])
            else:
                arrived.append(byte)
        return bytes(arrived)

    def write(self, data):
        self.most = max(self.most, len(data))
        for payload, kind, tag in self.splitter.frames(self.over(data)):
            if kind == HELLO:
                answer = self.facts
            elif kind == CASE_KIND:
                answer = self.answers[payload]
            elif kind == BLOCK_KIND:
                answer = zlib.crc32(self.blocks(payload)).to_bytes(4, "big")
            self.waiting += self.over(framed(answer, kind | 0x80, tag))

    def read(self, size):
        size = max(size, 7)  # pieces of any size
        data, self.waiting = self.waiting[:size], self.waiting[size:]
        return data

    def close(self):
        self.closed = True
