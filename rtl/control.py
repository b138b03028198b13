"""Control: walks the sequences, and makes of each step the word that steers the datapath."""

from amaranth.hdl import Module, Mux, Signal
from amaranth.lib import wiring
from amaranth.lib.wiring import In, Out, connect, flipped

from .adder import RippleCarryAdder
from .alu import AluOperation
from .decode import Decoder
from .interrupts import InterruptPort
from .status import Flags, StatusSource
from .steps import ACCESS, BASED, SETTLED, Step, rows
from .variant import Variant
from .word import ControlWord, Target

__all__ = ["Control"]


class Control(wiring.Component):
    """Walks the sequences. The word holds in the clock that it steers.

    Parameters
    ----------
    variant : Variant

    Members
    -------
    bus : In(8), the opcode in the clock of `sync`
    taken : In(1), a branch's condition holds
    carried : In(1), the adder's carry out: an index crosses into the next page
    crossed : In(1), a branch's target lies in another page
    decimal : In(1), the D flag
    interrupts : Out(InterruptPort)
    word : Out(ControlWord)
    sync : Out(1), the first clock of a sequence: an opcode is fetched, or discarded if an
        interrupt's entry begins
    stopped : Out(1), an opcode outside the built set was fetched; only reset goes on from here
    opcode : Out(8), from the clock after `sync`; 00, that of BRK, in an interrupt's entry
    clock_number : Out(3), the clock within the sequence, from 0
    """

    bus: In(8)
    taken: In(1)
    carried: In(1)
    crossed: In(1)
    decimal: In(1)
    interrupts: Out(InterruptPort)
    word: Out(ControlWord)
    sync: Out(1)
    stopped: Out(1)
    opcode: Out(8)
    clock_number: Out(3)

    def __init__(self, variant):
        self.variant = Variant(variant)
        super().__init__()
        self.position = Signal(Step, init=Step.ENTER)

    def elaborate(self, platform):
        m = Module()
        m.submodules.decoder = decoder = Decoder(self.variant)
        m.submodules.counter = counter = RippleCarryAdder(3)
        word, interrupts = self.word, self.interrupts
        step = Signal(Step)
        follows = Signal(Step)  # FETCH after the last clock of a sequence
        last, execute = Signal(), Signal()  # as the step's row says
        detour, instead = Signal(), Signal(Step)  # unless this is taken
        extended = Signal()  # a decimal sum, which takes a clock more on CMOS
        conditions = {
            "extended": extended, "taken": self.taken,
            "carried": self.carried, "crossed": self.crossed,
        }  # fmt: skip
        chosen = {
            ACCESS: decoder.access,
            BASED: decoder.based,
            SETTLED: Mux(decoder.waits, Step.INDEX_WAIT, decoder.access),
        }

        m.d.comb += [decoder.opcode.eq(self.opcode), step.eq(self.position)]
        with m.If(self.position == Step.FIRST):
            m.d.comb += step.eq(decoder.first)
        if self.variant is Variant.CMOS:
            operation = decoder.action.operation
            adds = (operation == AluOperation.ADD) | (operation == AluOperation.SUBTRACT)
            m.d.comb += extended.eq(self.decimal & adds)

        connect(m, decoder.action, flipped(word.action))
        with m.If(~execute | detour):
            m.d.comb += [word.action.target.eq(Target.NONE), word.action.status.flags.eq(0)]
        with m.Switch(step):
            for each, row in rows(self.variant).items():
                with m.Case(each):
                    self.draw(m, row)
                    m.d.comb += [last.eq(row.next is None), execute.eq(row.execute)]
                    if row.next is not None:
                        m.d.comb += follows.eq(chosen.get(row.next, row.next))
                    if row.detour is not None:
                        condition, other = row.detour
                        m.d.comb += [detour.eq(conditions[condition]), instead.eq(other)]
                    if row.waits:
                        m.d.comb += word.pc_holds.eq(detour)
        with m.If(interrupts.mute):
            m.d.comb += word.write.eq(0)
        m.d.comb += [
            word.pushed_b.eq(interrupts.instruction),
            self.sync.eq((step == Step.FETCH) | (step == Step.ENTER)),
            self.stopped.eq(step == Step.STOPPED),
            interrupts.choose_vector.eq(step == Step.ENTER_PUSH_STATUS),
            interrupts.last.eq(last & ~detour),
            # Not at the end of an entry, so the first instruction of a handler always runs.
            interrupts.interruptible.eq(step != Step.VECTOR_HIGH),
            counter.a.eq(self.clock_number),
            counter.carry_in.eq(1),
        ]
        with m.If(step == Step.FETCH):
            m.d.sync += self.opcode.eq(self.bus)
        with m.If(step == Step.ENTER):
            m.d.sync += self.opcode.eq(0)

        m.d.sync += [
            self.position.eq(Mux(detour, instead, follows)),
            self.clock_number.eq(counter.sum),
        ]
        with m.If(interrupts.last):
            m.d.sync += self.clock_number.eq(0)
            with m.If(interrupts.take):
                m.d.sync += self.position.eq(Step.ENTER)
        with m.If(~interrupts.reset_n):
            m.d.sync += [self.position.eq(Step.ENTER), self.clock_number.eq(0)]
        return m

    def draw(self, m, row):
        """Puts into the word what a row says; the rest of the action stays the decoder's."""
        word, action = self.word, self.word.action
        for field in ("address", "write", "right", "pc", "stack", "low", "high", "latch"):
            m.d.comb += getattr(word, field).eq(getattr(row, field))
        for field in ("left", "operation"):
            if getattr(row, field) is not None:
                m.d.comb += getattr(action, field).eq(getattr(row, field))
        if row.flags:
            m.d.comb += [
                action.status.source.eq(StatusSource.INTERRUPT),
                action.status.flags.eq(Flags.const(dict.fromkeys(row.flags, 1))),
            ]
