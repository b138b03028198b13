"""Frames of bytes, with a checksum, as RFC 1662 has them on an asynchronous line.

A frame ends with the flag 7E. Where 7E or 7D would stand in it, 7D stands and the byte XOR 20, so
whatever was lost, the next flag is a flag. The last four bytes are the CRC-32 of those before, its
lowest byte first (RFC 1662, section 4.2 and appendix C.3).
"""

from amaranth.hdl import Cat, Module, Mux, Signal
from amaranth.lib import enum, wiring
from amaranth.lib.wiring import In, Out

__all__ = ["Checksum", "FrameReader", "FrameWriter"]

FLAG, ESCAPE, FLIP = 0x7E, 0x7D, 0x20
WIDTH = 32
POLYNOMIAL = 0xEDB88320  # lowest bit first, as it goes over the line
GOOD = 0xDEBB20E3  # what is left where a checksum follows that is right


def taps():
    """For each bit of the checksum after a byte: those of the checksum before that go into it.

    Bits 0 to 7 stand for those of the checksum XOR the byte.
    """
    bits = [frozenset([i]) for i in range(WIDTH)]
    for _ in range(8):
        out, bits = bits[0], [*bits[1:], frozenset()]
        bits = [bit ^ out if POLYNOMIAL >> i & 1 else bit for i, bit in enumerate(bits)]
    return bits


class Checksum(wiring.Component):
    """The CRC-32 of bytes, one a clock.

    Members
    -------
    clear : In(1), begins anew
    enable : In(1), `byte` counts
    byte : In(8)
    value : Out(32), of the bytes before this clock; as it is sent, all its bits inverted
    good : Out(1), the last four of these bytes were the checksum of those before
    """

    clear: In(1)
    enable: In(1)
    byte: In(8)
    value: Out(WIDTH)
    good: Out(1)

    def elaborate(self, platform):
        m = Module()
        register = Signal(WIDTH, init=-1)
        mixed = Cat(register[:8] ^ self.byte, register[8:])
        with m.If(self.clear):
            m.d.sync += register.eq(-1)
        with m.Elif(self.enable):
            rows = [Cat(mixed[i] for i in sorted(row)).xor() for row in taps()]
            m.d.sync += register.eq(Cat(rows))
        m.d.comb += [self.value.eq(~register), self.good.eq(register == GOOD)]
        return m


class FrameReader(wiring.Component):
    """Takes frames out of bytes. What fails its checksum is dropped without a word.

    Parameters
    ----------
    size : int
        Bytes that are kept: of a longer frame the last ones.

    Members
    -------
    byte : In(8)
    valid : In(1), there is a byte
    ready : Out(1), it is taken in this clock if there is one: not while a frame waits
    content : Out(8 * size), the frame with its checksum: its last byte lowest
    present : Out(1), a good frame waits in `content`
    taken : In(1), it need not wait longer
    """

    def __init__(self, size):
        super().__init__({
            "byte": In(8), "valid": In(1), "ready": Out(1),
            "content": Out(8 * size), "present": Out(1), "taken": In(1),
        })  # fmt: skip

    def elaborate(self, platform):
        m = Module()
        m.submodules.checksum = checksum = Checksum()
        escaped = Signal()
        m.d.comb += [
            self.ready.eq(~self.present),
            checksum.byte.eq(Mux(escaped, self.byte ^ FLIP, self.byte)),
        ]
        with m.If(self.taken):
            m.d.sync += self.present.eq(0)
        with m.If(self.valid & self.ready):
            m.d.sync += escaped.eq(0)
            with m.If(self.byte == FLAG):
                m.d.comb += checksum.clear.eq(1)
                m.d.sync += self.present.eq(checksum.good & ~escaped)
            with m.Elif(self.byte == ESCAPE):
                m.d.sync += escaped.eq(1)
            with m.Else():
                m.d.comb += checksum.enable.eq(1)
                m.d.sync += self.content.eq(Cat(checksum.byte, self.content[:-8]))
        return m


class FramePart(enum.Enum, shape=2):
    """What of a frame is being written."""

    CONTENT = 0
    CHECKSUM = 1
    FLAG = 2


class FrameWriter(wiring.Component):
    """Makes a frame of bytes.

    Members
    -------
    content : In(8)
    offered : In(1), there is a byte of the frame
    last : In(1), with `offered`: it is the last one
    accepted : Out(1), it is taken in this clock
    byte : Out(8)
    valid : Out(1), there is a byte for the line
    ready : In(1), it is taken in this clock if there is one
    """

    content: In(8)
    offered: In(1)
    last: In(1)
    accepted: Out(1)
    byte: Out(8)
    valid: Out(1)
    ready: In(1)

    def elaborate(self, platform):
        m = Module()
        m.submodules.checksum = checksum = Checksum()
        part = Signal(FramePart)
        place = Signal(2)  # of the checksum's byte
        escaping = Signal()
        plain, special, done = Signal(8), Signal(), Signal()
        m.d.comb += [
            plain.eq(self.content),
            self.valid.eq((part != FramePart.CONTENT) | self.offered),
            special.eq((plain == FLAG) | (plain == ESCAPE)),
            self.byte.eq(plain),
            done.eq(self.valid & self.ready),
            checksum.byte.eq(self.content),
        ]
        with m.If(part == FramePart.CHECKSUM):
            m.d.comb += plain.eq(checksum.value.word_select(place, 8))
        with m.If(part == FramePart.FLAG):
            m.d.comb += self.byte.eq(FLAG)
        with m.Elif(escaping):
            m.d.comb += self.byte.eq(plain ^ FLIP)
            m.d.sync += escaping.eq(~done)
        with m.Elif(special):
            m.d.comb += [self.byte.eq(ESCAPE), done.eq(0)]
            m.d.sync += escaping.eq(self.valid & self.ready)
        with m.If(done):
            with m.Switch(part):
                with m.Case(FramePart.CONTENT):
                    m.d.comb += [self.accepted.eq(1), checksum.enable.eq(1)]
                    with m.If(self.last):
                        m.d.sync += part.eq(FramePart.CHECKSUM)
                with m.Case(FramePart.CHECKSUM):
                    m.d.sync += place.eq(place + 1)
                    with m.If(place == 3):
                        m.d.sync += part.eq(FramePart.FLAG)
                with m.Case(FramePart.FLAG):
                    m.d.comb += checksum.clear.eq(1)
                    m.d.sync += part.eq(FramePart.CONTENT)
        return m
