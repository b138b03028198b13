"""The decoder: what an opcode asks for, as two tables of bit patterns."""

from amaranth.hdl import Module
from amaranth.lib import wiring
from amaranth.lib.wiring import In, Out

from .alu import AluOperation
from .status import Flags, StatusSource
from .steps import Step
from .word import Action, Left, Target

__all__ = ["ACTIONS", "MODES", "STATUS_ACTIONS", "Decoder"]

# In all tables an opcode is its eight bits, highest first; '-' is either.

# Where an opcode's operand is: the step of the clock after its fetch, and the step that follows
# once an address is known (FETCH where none is needed).
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

# What an opcode does with its operand: the operation, its left input, the register that takes the
# result, the flags that are updated. Branches, JMP, JSR, RTS, BRK and NOP have no row: their steps
# do all there is to do.
ACTIONS = (
    (("000---01",), AluOperation.OR, Left.A, Target.A, "nz"),
    (("001---01",), AluOperation.AND, Left.A, Target.A, "nz"),
    (("010---01",), AluOperation.XOR, Left.A, Target.A, "nz"),
    (("011---01",), AluOperation.ADD, Left.A, Target.A, "nvzc"),
    (("111---01",), AluOperation.SUBTRACT, Left.A, Target.A, "nvzc"),
    (("110---01",), AluOperation.COMPARE, Left.A, Target.NONE, "nzc"),
    (("1110-100", "11100000"), AluOperation.COMPARE, Left.X, Target.NONE, "nzc"),
    (("1100-100", "11000000"), AluOperation.COMPARE, Left.Y, Target.NONE, "nzc"),
    (("0010-100",), AluOperation.BIT, Left.A, Target.NONE, "nvz"),
    # loads and PLA; stores and PHA, PHP; transfers
    (("101---01", "01101000"), AluOperation.PASS, Left.BUS, Target.A, "nz"),
    (("1010-110", "10100010"), AluOperation.PASS, Left.BUS, Target.X, "nz"),
    (("1010-100", "10100000"), AluOperation.PASS, Left.BUS, Target.Y, "nz"),
    (("100---01", "01001000"), AluOperation.PASS, Left.A, Target.NONE, ""),
    (("1000-110",), AluOperation.PASS, Left.X, Target.NONE, ""),
    (("1000-100",), AluOperation.PASS, Left.Y, Target.NONE, ""),
    (("00001000",), AluOperation.PASS, Left.STATUS, Target.NONE, ""),
    (("10101010",), AluOperation.PASS, Left.A, Target.X, "nz"),
    (("10101000",), AluOperation.PASS, Left.A, Target.Y, "nz"),
    (("10001010",), AluOperation.PASS, Left.X, Target.A, "nz"),
    (("10011000",), AluOperation.PASS, Left.Y, Target.A, "nz"),
    (("10111010",), AluOperation.PASS, Left.SP, Target.X, "nz"),
    (("10011010",), AluOperation.PASS, Left.X, Target.SP, ""),
    # shifts, then increments: of the accumulator or a register, and of memory
    (("00001010",), AluOperation.SHIFT_LEFT, Left.A, Target.A, "nzc"),
    (("0000-110",), AluOperation.SHIFT_LEFT, Left.LATCH, Target.NONE, "nzc"),
    (("00101010",), AluOperation.ROTATE_LEFT, Left.A, Target.A, "nzc"),
    (("0010-110",), AluOperation.ROTATE_LEFT, Left.LATCH, Target.NONE, "nzc"),
    (("01001010",), AluOperation.SHIFT_RIGHT, Left.A, Target.A, "nzc"),
    (("0100-110",), AluOperation.SHIFT_RIGHT, Left.LATCH, Target.NONE, "nzc"),
    (("01101010",), AluOperation.ROTATE_RIGHT, Left.A, Target.A, "nzc"),
    (("0110-110",), AluOperation.ROTATE_RIGHT, Left.LATCH, Target.NONE, "nzc"),
    (("11101000",), AluOperation.INCREMENT, Left.X, Target.X, "nz"),
    (("11001000",), AluOperation.INCREMENT, Left.Y, Target.Y, "nz"),
    (("1110-110",), AluOperation.INCREMENT, Left.LATCH, Target.NONE, "nz"),
    (("11001010",), AluOperation.DECREMENT, Left.X, Target.X, "nz"),
    (("10001000",), AluOperation.DECREMENT, Left.Y, Target.Y, "nz"),
    (("1100-110",), AluOperation.DECREMENT, Left.LATCH, Target.NONE, "nz"),
)

# The opcodes whose flags do not come from the ALU, with the value if there is one: PLP and RTI from
# the byte that they pull; then those that clear or set one flag.
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
    """Tells what an opcode asks for. Combinational.

    Members
    -------
    opcode : In(8)
    first : Out(Step), of the clock after the opcode's fetch; STOPPED for an opcode that is not
        built
    access : Out(Step), once the operand's address is known
    action : Out(Action)
    """

    opcode: In(8)
    first: Out(Step)
    access: Out(Step)
    action: Out(Action)

    def elaborate(self, platform):
        m = Module()
        action, status = self.action, self.action.status
        m.d.comb += self.first.eq(Step.STOPPED)
        with m.Switch(self.opcode):
            for first, access, patterns in MODES:
                with m.Case(*patterns):
                    m.d.comb += [self.first.eq(first), self.access.eq(access)]
        with m.Switch(self.opcode):
            for patterns, operation, left, target, flags in ACTIONS:
                with m.Case(*patterns):
                    m.d.comb += [
                        action.operation.eq(operation),
                        action.left.eq(left),
                        action.target.eq(target),
                        status.flags.eq(Flags.const(dict.fromkeys(flags, 1))),
                    ]
        with m.Switch(self.opcode):
            for patterns, source, flags, value in STATUS_ACTIONS:
                with m.Case(*patterns):
                    m.d.comb += [
                        status.source.eq(source),
                        status.flags.eq(Flags.const(dict.fromkeys(flags, 1))),
                        status.value.eq(value),
                    ]
        return m
