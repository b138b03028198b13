"""Control: the opcode and the step of its sequence in, the word that steers the datapath out."""

from dataclasses import dataclass

from amaranth.hdl import Module, Signal
from amaranth.lib import enum, wiring
from amaranth.lib.wiring import In, Out

from .adder import RippleCarryAdder
from .alu import Operation
from .decode import Decoder, Left, Step, Target
from .stack import StackMove
from .status import Flags, StatusSource
from .variant import Variant

__all__ = ["AddressSource", "Control", "ControlWord", "HighNext", "PcNext", "Right"]


class AddressSource(enum.Enum, shape=3):
    """What is on the address bus."""

    PC = 0
    OPERAND = 1  # the two address latches
    STACK = 2
    VECTOR_LOW = 3
    VECTOR_HIGH = 4


class PcNext(enum.Enum, shape=3):
    """What becomes of the program counter at the end of the clock."""

    HOLD = 0
    INCREMENT = 1
    JUMP = 2  # low byte from the low address latch, high byte from the bus
    LOW = 3  # low byte from the ALU
    HIGH = 4  # high byte from the ALU


class HighNext(enum.Enum, shape=2):
    """What becomes of the high address latch at the end of the clock."""

    HOLD = 0
    BUS = 1
    ZERO = 2


class Right(enum.Enum, shape=1):
    """The byte that goes into the ALU's right input, `b`."""

    BUS = 0
    LATCH = 1


ControlWord = wiring.Signature(
    {
        "address": Out(AddressSource),
        "write": Out(1),
        "left": Out(Left),
        "right": Out(Right),
        "operation": Out(Operation),
        "target": Out(Target),
        "update": Out(Flags),
        "source": Out(StatusSource),
        "value": Out(1),
        "software": Out(1),
        "pc": Out(PcNext),
        "stack": Out(StackMove),
        "low_en": Out(1),
        "high": Out(HighNext),
        "latch_en": Out(1),
    }
)


@dataclass(frozen=True)
class Row:
    """One clock of a sequence. ``None`` leaves the choice to the opcode."""

    address: AddressSource
    next: Step | None = None  # None: the last clock of its sequence
    detour: tuple[str, Step] | None = None  # not the last after all while this condition holds
    pc: PcNext = PcNext.HOLD
    write: bool = False
    left: Left | None = None
    right: Right = Right.BUS
    operation: Operation | None = None
    execute: bool = False  # registers and flags take what the opcode says
    stack: StackMove = StackMove.HOLD
    low: bool = False
    high: HighNext = HighNext.HOLD
    latch: bool = False


ACCESS = Step.FIRST  # as a row's `next`: the opcode's own access step


def rows(variant):
    """The sequences, a row a clock: NMOS order, discarded reads included."""
    pc, operand, stack = AddressSource.PC, AddressSource.OPERAND, AddressSource.STACK
    push, pull = StackMove.PUSH, StackMove.PULL
    step, jump = PcNext.INCREMENT, PcNext.JUMP

    def put(left, next_step):
        return Row(stack, next_step, write=True, left=left, operation=Operation.PASS, stack=push)

    return {
        Step.IMPLIED: Row(pc, execute=True),
        Step.IMMEDIATE: Row(
            pc, pc=step, execute=True, latch=True, detour=("extended", Step.REPEAT)
        ),
        Step.REPEAT: Row(pc, right=Right.LATCH, execute=True),
        Step.ZERO_PAGE: Row(pc, ACCESS, pc=step, low=True, high=HighNext.ZERO),
        Step.ABSOLUTE_LOW: Row(pc, Step.ABSOLUTE_HIGH, pc=step, low=True),
        Step.ABSOLUTE_HIGH: Row(pc, ACCESS, pc=step, high=HighNext.BUS),
        Step.READ: Row(operand, execute=True, latch=True, detour=("extended", Step.REPEAT)),
        Step.WRITE: Row(operand, write=True),
        Step.MODIFY_READ: Row(operand, Step.MODIFY_HOLD, latch=True),
        # NMOS writes the unmodified byte back while it works on it; CMOS reads it again.
        Step.MODIFY_HOLD: Row(
            operand,
            Step.MODIFY_WRITE,
            write=variant is not Variant.CMOS,
            left=Left.LATCH,
            operation=Operation.PASS,
        ),
        Step.MODIFY_WRITE: Row(operand, write=True, execute=True),
        Step.JUMP_LOW: Row(pc, Step.JUMP_HIGH, pc=step, low=True),
        Step.JUMP_HIGH: Row(pc, pc=jump),
        Step.BRANCH: Row(pc, pc=step, latch=True, detour=("taken", Step.BRANCH_LOW)),
        Step.BRANCH_LOW: Row(
            pc,
            pc=PcNext.LOW,
            left=Left.PC_LOW,
            right=Right.LATCH,
            operation=Operation.OFFSET,
            detour=("crossed", Step.BRANCH_HIGH),
        ),
        Step.BRANCH_HIGH: Row(
            pc,
            pc=PcNext.HIGH,
            left=Left.PC_HIGH,
            right=Right.LATCH,
            operation=Operation.EXTEND,
        ),
        Step.DISCARD: Row(pc, ACCESS),
        Step.PUSH: Row(stack, write=True, stack=push),
        Step.PULL_STACK: Row(stack, Step.PULL, stack=pull),
        Step.PULL: Row(stack, execute=True),
        Step.CALL_LOW: Row(pc, Step.CALL_STACK, pc=step, low=True),
        Step.CALL_STACK: Row(stack, Step.CALL_PUSH_HIGH),
        Step.CALL_PUSH_HIGH: put(Left.PC_HIGH, Step.CALL_PUSH_LOW),
        Step.CALL_PUSH_LOW: put(Left.PC_LOW, Step.JUMP_HIGH),
        Step.RETURN_STACK: Row(stack, Step.RETURN_LOW, stack=pull),
        Step.RETURN_LOW: Row(stack, Step.RETURN_HIGH, stack=pull, low=True),
        Step.RETURN_HIGH: Row(stack, Step.RETURN_NEXT, pc=jump),
        Step.RETURN_NEXT: Row(pc, pc=step),
        Step.RESUME_STACK: Row(stack, Step.RESUME_STATUS, stack=pull),
        Step.RESUME_STATUS: Row(stack, Step.RESUME_LOW, stack=pull, execute=True),
        Step.RESUME_LOW: Row(stack, Step.RESUME_HIGH, stack=pull, low=True),
        Step.RESUME_HIGH: Row(stack, pc=jump),
        Step.BREAK: Row(pc, Step.ENTER_PUSH_HIGH, pc=step),
        Step.ENTER: Row(pc, Step.ENTER_DISCARD),
        Step.ENTER_DISCARD: Row(pc, Step.ENTER_PUSH_HIGH),
        Step.ENTER_PUSH_HIGH: put(Left.PC_HIGH, Step.ENTER_PUSH_LOW),
        Step.ENTER_PUSH_LOW: put(Left.PC_LOW, Step.ENTER_PUSH_STATUS),
        Step.ENTER_PUSH_STATUS: put(Left.STATUS, Step.VECTOR_LOW),
        Step.VECTOR_LOW: Row(AddressSource.VECTOR_LOW, Step.VECTOR_HIGH, low=True),
        Step.VECTOR_HIGH: Row(AddressSource.VECTOR_HIGH, pc=jump),
        Step.STOPPED: Row(pc, Step.STOPPED),
    }


class Control(wiring.Component):
    """Walks the sequences. The word is valid in the clock that it steers.

    Parameters
    ----------
    variant : Variant

    Members
    -------
    data : In(8), the bus; the opcode in the clock of `sync`
    reset_n : In(1), low starts the reset sequence in the next clock
    take : In(1), with `last`: an interrupt's entry follows
    hardware : In(1), the present sequence is an interrupt's or reset's, not an instruction's
    silent : In(1), the present sequence is reset's: pushes move SP and write nothing
    taken : In(1), a branch's condition holds
    crossed : In(1), a branch's target lies in another page
    decimal : In(1), the D flag
    word : Out(ControlWord)
    sync : Out(1), the first clock of a sequence: an opcode is fetched, and discarded by an
        interrupt
    last : Out(1), the last clock of a sequence
    heeded : Out(1), with `last`: an interrupt may follow. The entry of one, and BRK, are never
        followed by another: the first instruction of a handler always runs
    choosing : Out(1), the clock in which an interrupt's entry settles on its vector
    stopped : Out(1), an opcode outside the built set was fetched; only reset goes on from here
    step : Out(Step)
    opcode : Out(8), from the clock after `sync`; 00 in an interrupt's entry
    clock_number : Out(3), the clock within the sequence, from 0
    """

    data: In(8)
    reset_n: In(1)
    take: In(1)
    hardware: In(1)
    silent: In(1)
    taken: In(1)
    crossed: In(1)
    decimal: In(1)
    word: Out(ControlWord)
    sync: Out(1)
    last: Out(1)
    heeded: Out(1)
    choosing: Out(1)
    stopped: Out(1)
    step: Out(Step)
    opcode: Out(8)
    clock_number: Out(3)

    def __init__(self, variant):
        self.variant = Variant(variant)
        super().__init__()
        self.position = Signal(Step, init=Step.ENTER)

    def elaborate(self, platform):
        m = Module()
        m.submodules.decoder = decoder = Decoder()
        m.submodules.counter = counter = RippleCarryAdder(3)
        word = self.word
        follows = Signal(Step)
        act = Signal()  # the registers and flags take what the opcode says
        extended = Signal()
        conditions = {"extended": extended, "taken": self.taken, "crossed": self.crossed}
        m.d.comb += [
            decoder.opcode.eq(self.opcode),
            self.step.eq(self.position),
            word.left.eq(decoder.left),
            word.operation.eq(decoder.operation),
            word.value.eq(decoder.value),
            word.source.eq(decoder.source),
            word.software.eq(~self.hardware),
            follows.eq(Step.FETCH),
        ]
        if self.variant is Variant.CMOS:
            adds = (decoder.operation == Operation.ADD) | (decoder.operation == Operation.SUBTRACT)
            m.d.comb += extended.eq(self.decimal & adds)
        with m.If(self.position == Step.FIRST):
            m.d.comb += self.step.eq(decoder.entry)

        with m.Switch(self.step):
            with m.Case(Step.FETCH):
                m.d.comb += [self.sync.eq(1), word.pc.eq(PcNext.INCREMENT), follows.eq(Step.FIRST)]
                m.d.sync += self.opcode.eq(self.data)
            for step, row in rows(self.variant).items():
                with m.Case(step):
                    self.draw(m, row, decoder, conditions, follows, act)
                    if step is Step.ENTER:
                        m.d.comb += self.sync.eq(1)
                        m.d.sync += self.opcode.eq(0)
                    if step is Step.ENTER_PUSH_STATUS:
                        m.d.comb += self.choosing.eq(1)
                    if step is Step.VECTOR_HIGH:
                        m.d.comb += [word.source.eq(StatusSource.INTERRUPT), word.update.i.eq(1)]
                        if self.variant is Variant.CMOS:
                            m.d.comb += word.update.d.eq(1)
                    elif row.next is None:
                        m.d.comb += self.heeded.eq(1)
                    if step is Step.STOPPED:
                        m.d.comb += self.stopped.eq(1)

        with m.If(act):
            m.d.comb += [word.target.eq(decoder.target), word.update.eq(decoder.update)]
        m.d.comb += [
            counter.a.eq(self.clock_number),
            counter.carry_in.eq(1),
        ]
        m.d.sync += [self.position.eq(follows), self.clock_number.eq(counter.sum)]
        with m.If(self.last):
            m.d.sync += [self.position.eq(Step.FETCH), self.clock_number.eq(0)]
            with m.If(self.take):
                m.d.sync += self.position.eq(Step.ENTER)
        with m.If(~self.reset_n):
            m.d.sync += [self.position.eq(Step.ENTER), self.clock_number.eq(0)]
        return m

    def draw(self, m, row, decoder, conditions, follows, act):
        """Turns one row into logic."""
        word = self.word
        m.d.comb += [
            word.address.eq(row.address),
            word.right.eq(row.right),
            word.pc.eq(row.pc),
            word.stack.eq(row.stack),
            word.low_en.eq(row.low),
            word.high.eq(row.high),
            word.latch_en.eq(row.latch),
        ]
        if row.write:
            m.d.comb += word.write.eq(~self.silent & self.reset_n)
        if row.left is not None:
            m.d.comb += word.left.eq(row.left)
        if row.operation is not None:
            m.d.comb += word.operation.eq(row.operation)
        if row.next is not None:
            m.d.comb += follows.eq(decoder.access if row.next is ACCESS else row.next)
            m.d.comb += act.eq(row.execute)
        elif row.detour is None:
            m.d.comb += [self.last.eq(1), act.eq(row.execute)]
        else:
            name, step = row.detour
            m.d.comb += follows.eq(step)
            m.d.comb += [self.last.eq(~conditions[name]), act.eq(self.last & row.execute)]
