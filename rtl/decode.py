"""What an opcode asks for, read from its bit fields."""

from amaranth.hdl import Module
from amaranth.lib import enum, wiring
from amaranth.lib.wiring import In, Out

from .alu import Operation
from .status import Flags, StatusSource

__all__ = ["Decoder", "Left", "Step", "Target"]


class Step(enum.Enum, shape=6):
    """What one clock of a sequence does; `control.rows` draws the sequences."""

    FETCH = 0
    FIRST = 1  # the clock after FETCH: the opcode's own `entry` says which step this is
    IMPLIED = 2
    IMMEDIATE = 3
    REPEAT = 4
    ZERO_PAGE = 5
    ABSOLUTE_LOW = 6
    ABSOLUTE_HIGH = 7
    READ = 8
    WRITE = 9
    MODIFY_READ = 10
    MODIFY_HOLD = 11
    MODIFY_WRITE = 12
    JUMP_LOW = 13
    JUMP_HIGH = 14
    BRANCH = 15
    BRANCH_LOW = 16
    BRANCH_HIGH = 17
    DISCARD = 18
    PUSH = 19
    PULL_STACK = 20
    PULL = 21
    CALL_LOW = 22
    CALL_STACK = 23
    CALL_PUSH_HIGH = 24
    CALL_PUSH_LOW = 25
    RETURN_STACK = 26
    RETURN_LOW = 27
    RETURN_HIGH = 28
    RETURN_NEXT = 29
    RESUME_STACK = 30
    RESUME_STATUS = 31
    RESUME_LOW = 32
    RESUME_HIGH = 33
    BREAK = 34
    ENTER = 35
    ENTER_DISCARD = 36
    ENTER_PUSH_HIGH = 37
    ENTER_PUSH_LOW = 38
    ENTER_PUSH_STATUS = 39
    VECTOR_LOW = 40
    VECTOR_HIGH = 41
    STOPPED = 42


class Left(enum.Enum, shape=4):
    """The byte that goes into the ALU's left input, `a`."""

    A = 0
    X = 1
    Y = 2
    SP = 3
    BUS = 4
    LATCH = 5
    PC_LOW = 6
    PC_HIGH = 7
    STATUS = 8


class Target(enum.Enum, shape=3):
    """The register that takes the ALU's result."""

    NONE = 0
    A = 1
    X = 2
    Y = 3
    SP = 4


# Opcode bits, highest first; '-' is either. How an opcode finds its operand: `entry`, the step of
# its second clock, and `access`, the step that follows once the address is known. A mode is a row
# more.
MODES = (
    (Step.IMPLIED, Step.FETCH, ("0--01010", "1--01010", "10-11010", "1--01000", "---11000")),
    (Step.IMMEDIATE, Step.FETCH, ("0--01001", "10101001", "11-01001", "101000-0", "11-00000")),
    (
        Step.ZERO_PAGE,
        Step.READ,
        ("0--00101", "10100101", "11-00101", "10100110", "00100100", "10100100", "11-00100"),
    ),
    (Step.ZERO_PAGE, Step.WRITE, ("100001-0", "10000101")),
    (Step.ZERO_PAGE, Step.MODIFY_READ, ("0--00110", "11-00110")),
    (
        Step.ABSOLUTE_LOW,
        Step.READ,
        ("0--01101", "10101101", "11-01101", "10101110", "00101100", "10101100", "11-01100"),
    ),
    (Step.ABSOLUTE_LOW, Step.WRITE, ("100011-0", "10001101")),
    (Step.ABSOLUTE_LOW, Step.MODIFY_READ, ("0--01110", "11-01110")),
    (Step.JUMP_LOW, Step.FETCH, ("01001100",)),
    (Step.BRANCH, Step.FETCH, ("---10000",)),
    (Step.DISCARD, Step.PUSH, ("0-001000",)),
    (Step.DISCARD, Step.PULL_STACK, ("0-101000",)),
    (Step.CALL_LOW, Step.FETCH, ("00100000",)),
    (Step.DISCARD, Step.RETURN_STACK, ("01100000",)),
    (Step.DISCARD, Step.RESUME_STACK, ("01000000",)),
    (Step.BREAK, Step.FETCH, ("00000000",)),
)

# What an opcode does with its operand, and the flags it updates. Those with no row do nothing here:
# branches, JMP, JSR, RTS and NOP are all in their steps.
ACTIONS = (
    (("000---01",), Operation.OR, Left.A, Target.A, "nz"),
    (("001---01",), Operation.AND, Left.A, Target.A, "nz"),
    (("010---01",), Operation.XOR, Left.A, Target.A, "nz"),
    (("011---01",), Operation.ADD, Left.A, Target.A, "nvzc"),
    (("111---01",), Operation.SUBTRACT, Left.A, Target.A, "nvzc"),
    (("110---01",), Operation.COMPARE, Left.A, Target.NONE, "nzc"),
    (("1110-100", "11100000"), Operation.COMPARE, Left.X, Target.NONE, "nzc"),
    (("1100-100", "11000000"), Operation.COMPARE, Left.Y, Target.NONE, "nzc"),
    (("0010-100",), Operation.BIT, Left.A, Target.NONE, "nvz"),
    # loads and PLA; stores and PHA, PHP; transfers
    (("101---01", "01101000"), Operation.PASS, Left.BUS, Target.A, "nz"),
    (("1010-110", "10100010"), Operation.PASS, Left.BUS, Target.X, "nz"),
    (("1010-100", "10100000"), Operation.PASS, Left.BUS, Target.Y, "nz"),
    (("100---01", "01001000"), Operation.PASS, Left.A, Target.NONE, ""),
    (("1000-110",), Operation.PASS, Left.X, Target.NONE, ""),
    (("1000-100",), Operation.PASS, Left.Y, Target.NONE, ""),
    (("00001000",), Operation.PASS, Left.STATUS, Target.NONE, ""),
    (("10101010",), Operation.PASS, Left.A, Target.X, "nz"),
    (("10101000",), Operation.PASS, Left.A, Target.Y, "nz"),
    (("10001010",), Operation.PASS, Left.X, Target.A, "nz"),
    (("10011000",), Operation.PASS, Left.Y, Target.A, "nz"),
    (("10111010",), Operation.PASS, Left.SP, Target.X, "nz"),
    (("10011010",), Operation.PASS, Left.X, Target.SP, ""),
    # shifts, then increments: of the accumulator or a register, and of memory
    (("00001010",), Operation.SHIFT_LEFT, Left.A, Target.A, "nzc"),
    (("0000-110",), Operation.SHIFT_LEFT, Left.LATCH, Target.NONE, "nzc"),
    (("00101010",), Operation.ROTATE_LEFT, Left.A, Target.A, "nzc"),
    (("0010-110",), Operation.ROTATE_LEFT, Left.LATCH, Target.NONE, "nzc"),
    (("01001010",), Operation.SHIFT_RIGHT, Left.A, Target.A, "nzc"),
    (("0100-110",), Operation.SHIFT_RIGHT, Left.LATCH, Target.NONE, "nzc"),
    (("01101010",), Operation.ROTATE_RIGHT, Left.A, Target.A, "nzc"),
    (("0110-110",), Operation.ROTATE_RIGHT, Left.LATCH, Target.NONE, "nzc"),
    (("11101000",), Operation.INCREMENT, Left.X, Target.X, "nz"),
    (("11001000",), Operation.INCREMENT, Left.Y, Target.Y, "nz"),
    (("1110-110",), Operation.INCREMENT, Left.LATCH, Target.NONE, "nz"),
    (("11001010",), Operation.DECREMENT, Left.X, Target.X, "nz"),
    (("10001000",), Operation.DECREMENT, Left.Y, Target.Y, "nz"),
    (("1100-110",), Operation.DECREMENT, Left.LATCH, Target.NONE, "nz"),
)

# The opcodes that update flags from elsewhere than the ALU: PLP and RTI, then clear and set.
STATUS_ACTIONS = (
    (("00101000", "01000000"), StatusSource.BUS, "nvdizc", 0),
    (("00011000",), StatusSource.VALUE, "c", 0),
    (("00111000",), StatusSource.VALUE, "c", 1),
    (("01011000",), StatusSource.VALUE, "i", 0),
    (("01111000",), StatusSource.VALUE, "i", 1),
    (("10111000",), StatusSource.VALUE, "v", 0),
    (("11011000",), StatusSource.VALUE, "d", 0),
    (("11111000",), StatusSource.VALUE, "d", 1),
)


class Decoder(wiring.Component):
    """Tells what an opcode asks for. Combinational; an opcode outside the built set enters STOPPED.

    Members
    -------
    opcode : In(8)
    entry, access : Out(Step)
    operation : Out(Operation)
    left : Out(Left)
    target : Out(Target)
    update : Out(Flags)
    source : Out(StatusSource)
    value : Out(1)
    """

    opcode: In(8)
    entry: Out(Step)
    access: Out(Step)
    operation: Out(Operation)
    left: Out(Left)
    target: Out(Target)
    update: Out(Flags)
    source: Out(StatusSource)
    value: Out(1)

    def elaborate(self, platform):
        m = Module()
        m.d.comb += self.entry.eq(Step.STOPPED)
        with m.Switch(self.opcode):
            for entry, access, patterns in MODES:
                with m.Case(*patterns):
                    m.d.comb += [self.entry.eq(entry), self.access.eq(access)]
        with m.Switch(self.opcode):
            for patterns, operation, left, target, flags in ACTIONS:
                with m.Case(*patterns):
                    m.d.comb += [
                        self.operation.eq(operation),
                        self.left.eq(left),
                        self.target.eq(target),
                    ]
                    m.d.comb += [self.update[flag].eq(1) for flag in flags]
        with m.Switch(self.opcode):
            for patterns, source, flags, value in STATUS_ACTIONS:
                with m.Case(*patterns):
                    m.d.comb += [self.source.eq(source), self.value.eq(value)]
                    m.d.comb += [self.update[flag].eq(1) for flag in flags]
        return m
