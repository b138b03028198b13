"""The unit: registers A X Y and PC, the parts of the other files, and the bus that joins them."""

from amaranth.hdl import Cat, Const, EnableInserter, Module, Signal
from amaranth.lib import wiring
from amaranth.lib.wiring import In, Out, connect

from .adder import RippleCarryAdder
from .alu import Alu
from .control import Control
from .interrupts import PINS, Interrupts
from .stack import StackMove, StackPointer
from .status import StatusRegister
from .variant import Variant
from .word import AddressSource, LatchNext, Left, PcNext, Right, Target

__all__ = ["REGISTERS", "Unit"]

#: What the registers hold in this clock, for whoever looks on; `p` as PHP pushes it.
REGISTERS = wiring.Signature(
    {"pc": Out(16), **{name: Out(8) for name in ("a", "x", "y", "sp", "p")}}
)


def select(m, domain, output, choice, sources):
    """A multiplexer: drives `output` from the source that `choice` names, if it names one."""
    with m.Switch(choice):
        for value, source in sources.items():
            with m.Case(value):
                m.d[domain] += output.eq(source)


class Unit(wiring.Component):
    """An 8-bit unit of the 65xx family on a 16-bit address bus; one clock is one bus cycle.

    The address and, in a write, the data are valid throughout the clock; a byte that is read must
    be on ``data_in`` before its end. Power-up begins with the reset sequence.

    Memory that takes longer holds `ready` low until the byte is there. In such a clock nothing
    changes: all registers hold, so do `address` and `write`, and the pins are not looked at. What
    acts on a write acts on ``write & ready``, or may act more than once.

    No output waits for an input but these two: `data_out`, in a read, for `data_in`; and `write`,
    for `reset_n`.

    Parameters
    ----------
    variant : Variant
    adder : str
        The form of the ALU's adder, of `alu.ADDERS`. All other adders (of PC, SP, the clock number,
        the decimal correction) stay ripples, so that what a form costs or gains is the ALU's alone.

    Members
    -------
    irq_n, nmi_n, reset_n : In(1), active low, synchronous to the clock
    ready : In(1), low: this clock does not count; high if nothing drives it
    data_in : In(8)
    address : Out(16)
    data_out : Out(8), the ALU's result: what is written when `write` is high, and then it does not
        wait for `data_in`; meaningless in a read
    write : Out(1), low as soon as `reset_n` is
    sync : Out(1), the first clock of an instruction, or of an interrupt's or reset's entry
    stopped : Out(1), an opcode outside the built set was fetched
    clock_number : Out(3), the clock within the sequence, from 0
    registers : Out(REGISTERS)
    """

    def __init__(self, variant=Variant.NMOS, adder="ripple"):
        self.variant = Variant(variant)
        super().__init__(
            {
                **PINS,
                "ready": In(1, init=1),
                "data_in": In(8),
                "address": Out(16),
                "data_out": Out(8),
                "write": Out(1),
                "sync": Out(1),
                "stopped": Out(1),
                "clock_number": Out(3),
                "registers": Out(REGISTERS),
            }
        )
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
        self.low = Signal(8)  # of the operand's address, or of where its pointer lies
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

        connect(m, control.interrupts, interrupts.control)
        m.d.comb += [getattr(interrupts, pin).eq(getattr(self, pin)) for pin in PINS]
        m.d.comb += [
            interrupts.masked.eq(status.flags.i),
            control.bus.eq(self.data_in),
            control.taken.eq(status.taken),
            control.carried.eq(alu.carry[8]),
            # A forward branch crosses when it carries, a backward one when it does not.
            control.crossed.eq(alu.carry[8] ^ self.latch[7]),
            control.decimal.eq(status.flags.d),
        ]

        left = {
            Left.A: self.a,
            Left.X: self.x,
            Left.Y: self.y,
            Left.SP: stack.pointer,
            Left.BUS: self.data_in,
            Left.LATCH: self.latch,
            Left.LOW: self.low,
            Left.HIGH: self.high,
            Left.PC_LOW: self.pc[:8],
            Left.PC_HIGH: self.pc[8:],
            Left.STATUS: status.pushed,
        }
        select(m, "comb", alu.a, word.action.left, left)
        right = {Right.BUS: self.data_in, Right.LATCH: self.latch, Right.LOW: self.low}
        select(m, "comb", alu.b, word.right, right)
        m.d.comb += [
            alu.operation.eq(word.action.operation),
            alu.carry_in.eq(status.flags.c),
            alu.decimal.eq(status.flags.d),
        ]

        connect(m, word.action.status, status.update)
        m.d.comb += [
            status.alu_flags.eq(alu.flags),
            status.bus.eq(self.data_in),
            status.pushed_b.eq(word.pushed_b),
            # A branch's opcode bits 7 6 say which flag, bit 5 the value that takes it.
            status.condition.eq(control.opcode[5:]),
            stack.move.eq(word.stack),
            stack.load.eq(alu.result),
            pc_adder.a.eq(self.pc),
            pc_adder.carry_in.eq(word.pc == PcNext.INCREMENT),
        ]
        with m.If(word.action.target == Target.SP):
            m.d.comb += stack.move.eq(StackMove.LOAD)
        for target, register in ((Target.A, self.a), (Target.X, self.x), (Target.Y, self.y)):
            with m.If(word.action.target == target):
                m.d.sync += register.eq(alu.result)
        with m.If(~word.pc_holds):
            m.d.sync += self.pc.eq(pc_adder.sum)
        pc_next = {
            PcNext.JUMP: Cat(self.latch, self.data_in),
            PcNext.LOW: Cat(alu.result, self.pc[8:]),
            PcNext.HIGH: Cat(self.pc[:8], alu.result),
        }
        select(m, "sync", self.pc, word.pc, pc_next)
        for register, chosen in (
            (self.low, word.low), (self.high, word.high), (self.latch, word.latch),
        ):  # fmt: skip
            sources = {LatchNext.BUS: self.data_in, LatchNext.ZERO: 0, LatchNext.ALU: alu.result}
            select(m, "sync", register, chosen, sources)

        vector = Cat(word.address == AddressSource.VECTOR_HIGH, interrupts.vector)
        m.d.comb += self.address.eq(vector)
        address = {
            AddressSource.PC: self.pc,
            AddressSource.OPERAND: Cat(self.low, self.high),
            AddressSource.STACK: stack.address,
        }
        select(m, "comb", self.address, word.address, address)
        m.d.comb += [
            self.data_out.eq(alu.result),
            self.write.eq(word.write),
            self.sync.eq(control.sync),
            self.stopped.eq(control.stopped),
            self.clock_number.eq(control.clock_number),
        ]
        flags, shown = status.flags.as_value(), self.registers
        m.d.comb += [
            shown.pc.eq(self.pc), shown.a.eq(self.a), shown.x.eq(self.x), shown.y.eq(self.y),
            shown.sp.eq(stack.pointer), shown.p.eq(Cat(flags[:4], Const(3, 2), flags[4:])),
        ]  # fmt: skip
        return EnableInserter(self.ready)(m)
