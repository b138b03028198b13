"""A board that answers: frames come in, cases are played, frames go out."""

from amaranth.hdl import Array, Cat, Const, EnableInserter, Module, Mux, Signal
from amaranth.lib import data, enum, wiring
from amaranth.lib.fifo import SyncFIFOBuffered
from amaranth.lib.wiring import In, Out

from .. import datapath
from ..variant import Variant
from .case_player import Case, CasePlayer, answer_bytes
from .framing import Checksum, FrameReader, FrameWriter
from .serial import SerialReceiver, SerialTransmitter

__all__ = ["VERSION", "Kind", "PlayerBoard", "PlayerCore", "UnitSocket"]

#: Of the protocol, as DEVELOPERS.md has it. Whatever changes, HELLO and its first byte stay.
VERSION = 1
ANSWER = 0x80  # is added to a frame's kind
COUNT = 24  # bits of a number of cases


class Kind(enum.Enum, shape=8):
    """What a frame asks."""

    HELLO = 0
    CASE = 1
    BLOCK = 2


class Request(data.Struct):
    """A frame as the reader holds it, its last byte lowest."""

    checksum: 32
    tag: 8
    kind: Kind
    case: Case
    first: COUNT  # these of a block only
    count: COUNT


class UnitSocket(wiring.Component):
    """A unit and its bus: a clock of it is two of ours.

    Parameters
    ----------
    variant : Variant

    Members
    -------
    Those of `CasePlayer` that go to a bus, seen from the unit.
    """

    ask: Out(1)
    step: Out(1)
    address: Out(16)
    data_out: Out(8)
    write: Out(1)
    sync: Out(1)
    data_in: In(8)
    irq_n: In(1)
    nmi_n: In(1)
    reset_n: In(1)

    def __init__(self, variant):
        super().__init__()
        self.variant = Variant(variant)

    def elaborate(self, platform):
        m = Module()
        unit = datapath.Unit(self.variant)
        m.submodules.unit = EnableInserter(self.step)(unit)
        m.d.sync += self.step.eq(~self.step)
        m.d.comb += self.ask.eq(~self.step)
        for pin in ("address", "data_out", "write", "sync"):
            m.d.comb += getattr(self, pin).eq(getattr(unit, pin))
        for pin in ("data_in", "irq_n", "nmi_n", "reset_n"):
            m.d.comb += getattr(unit, pin).eq(getattr(self, pin))
        return m


class BoardState(enum.Enum, shape=2):
    """What the board is about."""

    WAIT = 0
    PLAY = 1
    BLOCK = 2
    ANSWER = 3


class PlayerCore(wiring.Component):
    """Answers frames of bytes.

    A block is cases that are made here: case i of it is the one that came with it, its last byte
    read XOR bits 7 to 0 of i, A, X and Y XOR bits 15 to 8, the flags C and D XOR bits 16 and 17.
    The answer is the CRC-32 of all answers to them, in order.

    Parameters
    ----------
    socket : Component, as `UnitSocket` is
    facts : bytes, the answer to HELLO

    Members
    -------
    byte : In(8)
    valid : In(1), there is a byte
    ready : Out(1), it is taken in this clock if there is one
    answer : Out(8)
    answer_valid : Out(1)
    answer_ready : In(1)
    """

    byte: In(8)
    valid: In(1)
    ready: Out(1)
    answer: Out(8)
    answer_valid: Out(1)
    answer_ready: In(1)

    def __init__(self, socket, facts):
        super().__init__()
        self.socket, self.facts = socket, facts

    def elaborate(self, platform):
        m = Module()
        m.submodules.socket = socket = self.socket
        m.submodules.reader = reader = FrameReader(data.Layout.cast(Request).size // 8)
        m.submodules.writer = writer = FrameWriter()
        m.submodules.player = player = CasePlayer()
        m.submodules.signature = signature = Checksum()
        request = Request(reader.content)
        state = Signal(BoardState)
        m.d.comb += [
            reader.byte.eq(self.byte), reader.valid.eq(self.valid), self.ready.eq(reader.ready),
            self.answer.eq(writer.byte), self.answer_valid.eq(writer.valid),
            writer.ready.eq(self.answer_ready), player.case.eq(request.case),
        ]  # fmt: skip
        for pin in ("ask", "step", "address", "data_out", "write", "sync"):
            m.d.comb += getattr(player, pin).eq(getattr(socket, pin))
        for pin in ("data_in", "irq_n", "nmi_n", "reset_n"):
            m.d.comb += getattr(socket, pin).eq(getattr(player, pin))

        # A block's cases, and the bytes of their answers.
        number, left = Signal(COUNT), Signal(COUNT)
        told = answer_bytes(player.outcome)
        length = Signal(range(len(told) + 1))
        writes = player.outcome.writes
        m.d.comb += length.eq(Mux(writes[2:].any(), 17, 8 + (writes[:2] << 1) + writes[:2]))
        summed = Signal(range(len(told) + 1), init=len(told))
        with m.If(request.kind == Kind.BLOCK):
            case, made = player.case, request.case
            m.d.comb += case.read[0].value.eq(made.read[0].value ^ number[:8])
            m.d.comb += [getattr(case, r).eq(getattr(made, r) ^ number[8:16]) for r in "axy"]
            m.d.comb += case.p.eq(made.p ^ Cat(number[16], Const(0, 2), number[17]))
        m.d.comb += [signature.byte.eq(told[summed]), signature.enable.eq(summed < length)]
        with m.If(signature.enable):
            m.d.sync += summed.eq(summed + 1)

        sums = [signature.value[8 * i : 8 * i + 8] for i in reversed(range(4))]
        content, place = Signal(8), Signal(range(max(len(told), len(self.facts)) + 2))
        size = Signal.like(place)
        for kind, several, count in (
            (Kind.HELLO, [Const(fact, 8) for fact in self.facts], len(self.facts)),
            (Kind.CASE, told, length), (Kind.BLOCK, sums, len(sums)),
        ):  # fmt: skip
            with m.If(request.kind == kind):
                m.d.comb += [content.eq(Array(several)[place]), size.eq(count)]
        m.d.comb += writer.content.eq(content)
        with m.If(place == size):
            m.d.comb += writer.content.eq(request.kind.as_value() | ANSWER)
        with m.Elif(place > size):
            m.d.comb += [writer.content.eq(request.tag), writer.last.eq(1)]

        with m.Switch(state):
            with m.Case(BoardState.WAIT):
                m.d.sync += [place.eq(0), number.eq(request.first), left.eq(request.count)]
                m.d.comb += signature.clear.eq(1)
                with m.If(reader.present):
                    with m.Switch(request.kind):
                        with m.Case(Kind.HELLO):
                            m.d.sync += state.eq(BoardState.ANSWER)
                        with m.Case(Kind.CASE):
                            m.d.sync += state.eq(BoardState.PLAY)
                        with m.Case(Kind.BLOCK):
                            m.d.sync += state.eq(BoardState.BLOCK)
                        with m.Default():
                            m.d.comb += reader.taken.eq(1)
            with m.Case(BoardState.PLAY):
                m.d.comb += player.start.eq(1)
                with m.If(player.finished):
                    m.d.sync += state.eq(BoardState.ANSWER)
            with m.Case(BoardState.BLOCK):
                m.d.comb += player.start.eq(left != 0)
                with m.If(player.finished):
                    m.d.sync += [number.eq(number + 1), left.eq(left - 1), summed.eq(0)]
                with m.If((left == 0) & ~signature.enable):
                    m.d.sync += state.eq(BoardState.ANSWER)
            with m.Case(BoardState.ANSWER):
                m.d.comb += writer.offered.eq(1)
                with m.If(writer.accepted):
                    m.d.sync += place.eq(place + 1)
                    with m.If(writer.last):
                        m.d.comb += reader.taken.eq(1)
                        m.d.sync += state.eq(BoardState.WAIT)
        return m


class PlayerBoard(wiring.Component):
    """A `PlayerCore` on a serial line.

    Parameters
    ----------
    variant : Variant
    divisor : int
        Clocks in a bit of the line.
    depth : int
        Bytes that it holds until they are looked at, a power of two.
    kilohertz : int
        Of its clock, told to whoever asks.
    socket : Component or None
        What the player serves: a unit of its own by default.

    Members
    -------
    receive : In(1), the line to the board
    transmit : Out(1), the line from it
    """

    receive: In(1, init=1)
    transmit: Out(1, init=1)

    def __init__(self, variant, divisor, depth=2048, kilohertz=0, socket=None):
        super().__init__()
        self.divisor, self.depth = divisor, depth
        variants = [*Variant]
        facts = bytes([
            VERSION, variants.index(Variant(variant)), socket is not None,
            depth.bit_length() - 1, kilohertz >> 8, kilohertz & 255,
        ])  # fmt: skip
        self.core = PlayerCore(socket or UnitSocket(variant), facts)

    def elaborate(self, platform):
        m = Module()
        m.submodules.receiver = receiver = SerialReceiver(self.divisor)
        m.submodules.transmitter = transmitter = SerialTransmitter(self.divisor)
        m.submodules.waiting = waiting = SyncFIFOBuffered(width=8, depth=self.depth)
        m.submodules.core = core = self.core
        m.d.comb += [
            receiver.line.eq(self.receive), self.transmit.eq(transmitter.line),
            waiting.w_data.eq(receiver.byte), waiting.w_en.eq(receiver.valid),
            core.byte.eq(waiting.r_data), core.valid.eq(waiting.r_rdy),
            waiting.r_en.eq(core.ready),
            transmitter.byte.eq(core.answer), transmitter.valid.eq(core.answer_valid),
            core.answer_ready.eq(transmitter.ready),
        ]  # fmt: skip
        return m
