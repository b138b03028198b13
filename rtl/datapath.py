"""The unit: registers A X Y and PC, the parts of the other files, and the bus that joins them."""

from amaranth.hdl import Cat, Const, Module, Signal
from amaranth.lib import wiring
from amaranth.lib.wiring import In, Out

from .adder import RippleCarryAdder
from .alu import Alu
from .control import AddressSource, Control, HighNext, PcNext, Right
from .decode import Left, Target
from .interrupts import Cause, Interrupts
from .stack import StackMove, StackPointer
from .status import StatusRegister
from .variant import Variant

__all__ = ["Unit"]


class Unit(wiring.Component):
    """An 8-bit unit of the 65xx family on a 16-bit address bus; one clock is one bus cycle.

    The address and, in a write, the data are valid throughout the clock; a byte that is read must
    be on
    ``data_in`` before its end. Power-up begins with the reset sequence.

    Parameters
    ----------
    variant : Variant
    adder : str
        The form of the ALU's adder, of `alu.ADDERS`. The adders of PC, SP and the clock number stay
        ripples, as do those that correct decimal digits: no flag comes out of them, and what
        another form costs or gains is then that of the one chain alone.

    Members
    -------
    irq_n, nmi_n, reset_n : In(1), the pins, active low, synchronous to the clock
    data_in : In(8)
    address : Out(16)
    data_out : Out(8), the ALU's result; what is written when `write` is high
    write : Out(1)
    sync : Out(1), the first clock of an instruction, or of an interrupt's or reset's entry
    stopped : Out(1), an opcode outside the built set was fetched
    clock_number : Out(3), the clock within the sequence, from 0
    """

    irq_n: In(1, init=1)
    nmi_n: In(1, init=1)
    reset_n: In(1, init=1)
    data_in: In(8)
    address: Out(16)
    data_out: Out(8)
    write: Out(1)
    sync: Out(1)
    stopped: Out(1)
    clock_number: Out(3)

    def __init__(self, variant=Variant.NMOS, adder="ripple"):
        self.variant = Variant(variant)
        super().__init__()
        self.control = Control(self.variant)
        self.interrupts = Interrupts(self.variant)
        self.alu = Alu(self.variant, adder)
        self.status = StatusRegister()
        self.stack = StackPointer()
        # Named in full: a netlist has an `a` for the ALU's input too.
        self.a = Signal(8, name="register_a")
        self.x = Signal(8, name="register_x")
        self.y = Signal(8, name="register_y")
        self.pc = Signal(16)
        self.low = Signal(8)  # the operand's address
        self.high = Signal(8)
        self.latch = Signal(8)  # a byte read earlier in the sequence

    def elaborate(self, platform):
        m = Module()
        m.submodules.control = control = self.control
        m.submodules.interrupts = interrupts = self.interrupts
        m.submodules.alu = alu = self.alu
        m.submodules.status = status = self.status
        m.submodules.stack = stack = self.stack
        m.submodules.pc_adder = pc_adder = RippleCarryAdder(16)
        word = control.word

        m.d.comb += [
            interrupts.irq_n.eq(self.irq_n),
            interrupts.nmi_n.eq(self.nmi_n),
            interrupts.reset_n.eq(self.reset_n),
            interrupts.masked.eq(status.flags.i),
            interrupts.last.eq(control.last),
            interrupts.heeded.eq(control.heeded),
            interrupts.choosing.eq(control.choosing),
            control.data.eq(self.data_in),
            control.reset_n.eq(self.reset_n),
            control.take.eq(interrupts.take),
            control.hardware.eq(interrupts.cause != Cause.INSTRUCTION),
            control.silent.eq(interrupts.cause == Cause.RESET),
            control.taken.eq(status.taken),
            # A forward branch crosses when it carries, a backward one when it does not.
            control.crossed.eq(alu.carry[8] ^ self.latch[7]),
            control.decimal.eq(status.flags.d),
        ]

        with m.Switch(word.left):
            for left, byte in (
                (Left.A, self.a),
                (Left.X, self.x),
                (Left.Y, self.y),
                (Left.SP, stack.pointer),
                (Left.BUS, self.data_in),
                (Left.LATCH, self.latch),
                (Left.PC_LOW, self.pc[:8]),
                (Left.PC_HIGH, self.pc[8:]),
                (Left.STATUS, status.pushed),
            ):
                with m.Case(left):
                    m.d.comb += alu.a.eq(byte)
        with m.Switch(word.right):
            with m.Case(Right.BUS):
                m.d.comb += alu.b.eq(self.data_in)
            with m.Case(Right.LATCH):
                m.d.comb += alu.b.eq(self.latch)
        m.d.comb += [
            alu.operation.eq(word.operation),
            alu.carry_in.eq(status.flags.c),
            alu.decimal.eq(status.flags.d),
        ]

        for target, register in ((Target.A, self.a), (Target.X, self.x), (Target.Y, self.y)):
            with m.If(word.target == target):
                m.d.sync += register.eq(alu.result)
        m.d.comb += [stack.move.eq(word.stack), stack.load.eq(alu.result)]
        with m.If(word.target == Target.SP):
            m.d.comb += stack.move.eq(StackMove.LOAD)
        m.d.comb += [
            status.source.eq(word.source),
            status.update.eq(word.update),
            status.value.eq(word.value),
            status.n.eq(alu.n),
            status.v.eq(alu.v),
            status.z.eq(alu.z),
            status.c.eq(alu.c),
            status.data.eq(self.data_in),
            status.software.eq(word.software),
            # A branch's opcode bits 7 6 say which flag, bit 5 the value that takes it.
            status.condition.eq(control.opcode[5:]),
        ]
        m.d.comb += [pc_adder.a.eq(self.pc), pc_adder.carry_in.eq(word.pc == PcNext.INCREMENT)]
        with m.Switch(word.pc):
            with m.Case(PcNext.JUMP):
                m.d.sync += self.pc.eq(Cat(self.low, self.data_in))
            with m.Case(PcNext.LOW):
                m.d.sync += self.pc[:8].eq(alu.result)
            with m.Case(PcNext.HIGH):
                m.d.sync += self.pc[8:].eq(alu.result)
            with m.Default():
                m.d.sync += self.pc.eq(pc_adder.sum)
        with m.If(word.low_en):
            m.d.sync += self.low.eq(self.data_in)
        with m.Switch(word.high):
            with m.Case(HighNext.BUS):
                m.d.sync += self.high.eq(self.data_in)
            with m.Case(HighNext.ZERO):
                m.d.sync += self.high.eq(0)
        with m.If(word.latch_en):
            m.d.sync += self.latch.eq(self.data_in)

        with m.Switch(word.address):
            with m.Case(AddressSource.PC):
                m.d.comb += self.address.eq(self.pc)
            with m.Case(AddressSource.OPERAND):
                m.d.comb += self.address.eq(Cat(self.low, self.high))
            with m.Case(AddressSource.STACK):
                m.d.comb += self.address.eq(stack.address)
            # FFFA NMI, FFFC reset, FFFE IRQ and BRK: the cause's own two bits, but for an
            # instruction.
            with m.Default():
                irq = interrupts.cause == Cause.INSTRUCTION
                m.d.comb += self.address.eq(
                    Cat(
                        word.address == AddressSource.VECTOR_HIGH,
                        interrupts.cause.as_value() | irq.replicate(2),
                        Const(-1, 13),
                    )
                )
        m.d.comb += [
            self.data_out.eq(alu.result),
            self.write.eq(word.write),
            self.sync.eq(control.sync),
            self.stopped.eq(control.stopped),
            self.clock_number.eq(control.clock_number),
        ]
        return m
