"""The decoder: what an opcode asks for, as two tables of bit patterns."""

from amaranth.hdl import Module
from amaranth.lib import wiring
from amaranth.lib.wiring import In, Out

from .alu import AluOperation
from .status import Flags, StatusSource
from .steps import Step
from .variant import Variant
from .word import Action, Left, Target

__all__ = ["ACTIONS", "EAGER_ON_CMOS", "MODES", "STATUS_ACTIONS", "Decoder"]

# In all tables an opcode is its eight bits, highest first; '-' is either.

# Where an opcode's operand is: the step of the clock after its fetch; the step once the low byte
# of the base is there, if that is not the access yet; and the access, the step that follows once an
# address is known (FETCH where none is needed).
MODES = (
    ((Step.IMPLIED,), Step.FETCH, "0--01010 1--01010 10-11010 1--01000 ---11000"),
    ((Step.IMMEDIATE,), Step.FETCH, "0--01001 10101001 11-01001 101000-0 11-00000"),
    (
        (Step.ZERO_PAGE,),
        Step.READ,
        "0--00101 10100101 11-00101 10100110 00100100 10100100 11-00100",
    ),
    ((Step.ZERO_PAGE,), Step.WRITE, "100001-0 10000101"),
    ((Step.ZERO_PAGE,), Step.MODIFY_READ, "0--00110 11-00110"),
    ((Step.ZERO_PAGE, Step.ZERO_PAGE_X), Step.READ, "0--10101 1011010- 11-10101"),
    ((Step.ZERO_PAGE, Step.ZERO_PAGE_X), Step.WRITE, "1001010-"),
    ((Step.ZERO_PAGE, Step.ZERO_PAGE_X), Step.MODIFY_READ, "0--10110 11-10110"),
    ((Step.ZERO_PAGE, Step.ZERO_PAGE_Y), Step.READ, "10110110"),
    ((Step.ZERO_PAGE, Step.ZERO_PAGE_Y), Step.WRITE, "10010110"),
    (
        (Step.ABSOLUTE_LOW, Step.ABSOLUTE_HIGH),
        Step.READ,
        "0--01101 10101101 11-01101 10101110 00101100 10101100 11-01100",
    ),
    ((Step.ABSOLUTE_LOW, Step.ABSOLUTE_HIGH), Step.WRITE, "100011-0 10001101"),
    ((Step.ABSOLUTE_LOW, Step.ABSOLUTE_HIGH), Step.MODIFY_READ, "0--01110 11-01110"),
    ((Step.ABSOLUTE_LOW, Step.ABSOLUTE_HIGH), Step.INDIRECT_LOW, "01101100"),
    ((Step.ABSOLUTE_LOW, Step.ABSOLUTE_X), Step.READ, "0--11101 1011110- 11-11101"),
    ((Step.ABSOLUTE_LOW, Step.ABSOLUTE_X), Step.WRITE, "10011101"),
    ((Step.ABSOLUTE_LOW, Step.ABSOLUTE_X), Step.MODIFY_READ, "0--11110 11-11110"),
    ((Step.ABSOLUTE_LOW, Step.ABSOLUTE_Y), Step.READ, "0--11001 10111001 11-11001 10111110"),
    ((Step.ABSOLUTE_LOW, Step.ABSOLUTE_Y), Step.WRITE, "10011001"),
    ((Step.ZERO_PAGE, Step.POINTER_X), Step.READ, "0--00001 10100001 11-00001"),
    ((Step.ZERO_PAGE, Step.POINTER_X), Step.WRITE, "10000001"),
    ((Step.POINTER_Y,), Step.READ, "0--10001 10110001 11-10001"),
    ((Step.POINTER_Y,), Step.WRITE, "10010001"),
    ((Step.JUMP_LOW,), Step.FETCH, "01001100"),
    ((Step.BRANCH,), Step.FETCH, "---10000"),
    ((Step.DISCARD,), Step.PUSH, "0-001000"),
    ((Step.DISCARD,), Step.PULL_STACK, "0-101000"),
    ((Step.CALL_LOW,), Step.FETCH, "00100000"),
    ((Step.DISCARD,), Step.RETURN_STACK, "01100000"),
    ((Step.DISCARD,), Step.RESUME_STACK, "01000000"),
    ((Step.BREAK,), Step.FETCH, "00000000"),
)

# An access that writes waits a clock for a carry that did not come, so that it never writes before
# the address is right. CMOS does not let these reads wait that write later: shifts of abs,X.
EAGER_ON_CMOS = "0--11110"

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
    (("101--110", "10100010"), AluOperation.PASS, Left.BUS, Target.X, "nz"),
    (("101--100", "10100000"), AluOperation.PASS, Left.BUS, Target.Y, "nz"),
    (("100---01", "01001000"), AluOperation.PASS, Left.A, Target.NONE, ""),
    (("100--110",), AluOperation.PASS, Left.X, Target.NONE, ""),
    (("100--100",), AluOperation.PASS, Left.Y, Target.NONE, ""),
    (("00001000",), AluOperation.PASS, Left.STATUS, Target.NONE, ""),
    (("10101010",), AluOperation.PASS, Left.A, Target.X, "nz"),
    (("10101000",), AluOperation.PASS, Left.A, Target.Y, "nz"),
    (("10001010",), AluOperation.PASS, Left.X, Target.A, "nz"),
    (("10011000",), AluOperation.PASS, Left.Y, Target.A, "nz"),
    (("10111010",), AluOperation.PASS, Left.SP, Target.X, "nz"),
    (("10011010",), AluOperation.PASS, Left.X, Target.SP, ""),
    # shifts, then increments: of the accumulator or a register, and of memory
    (("00001010",), AluOperation.SHIFT_LEFT, Left.A, Target.A, "nzc"),
    (("000--110",), AluOperation.SHIFT_LEFT, Left.LATCH, Target.NONE, "nzc"),
    (("00101010",), AluOperation.ROTATE_LEFT, Left.A, Target.A, "nzc"),
    (("001--110",), AluOperation.ROTATE_LEFT, Left.LATCH, Target.NONE, "nzc"),
    (("01001010",), AluOperation.SHIFT_RIGHT, Left.A, Target.A, "nzc"),
    (("010--110",), AluOperation.SHIFT_RIGHT, Left.LATCH, Target.NONE, "nzc"),
    (("01101010",), AluOperation.ROTATE_RIGHT, Left.A, Target.A, "nzc"),
    (("011--110",), AluOperation.ROTATE_RIGHT, Left.LATCH, Target.NONE, "nzc"),
    (("11101000",), AluOperation.INCREMENT, Left.X, Target.X, "nz"),
    (("11001000",), AluOperation.INCREMENT, Left.Y, Target.Y, "nz"),
    (("111--110",), AluOperation.INCREMENT, Left.LATCH, Target.NONE, "nz"),
    (("11001010",), AluOperation.DECREMENT, Left.X, Target.X, "nz"),
    (("10001000",), AluOperation.DECREMENT, Left.Y, Target.Y, "nz"),
    (("110--110",), AluOperation.DECREMENT, Left.LATCH, Target.NONE, "nz"),
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

    Parameters
    ----------
    variant : Variant

    Members
    -------
    opcode : In(8)
    first : Out(Step), of the clock after the opcode's fetch; STOPPED for an opcode that is not
        built
    based : Out(Step), once the low byte of the operand's base is there
    access : Out(Step), once the operand's address is known
    waits : Out(1), the access comes a clock after an index was added, carry or not
    action : Out(Action)
    """

    opcode: In(8)
    first: Out(Step)
    based: Out(Step)
    access: Out(Step)
    waits: Out(1)
    action: Out(Action)

    def __init__(self, variant):
        self.variant = Variant(variant)
        super().__init__()

    def elaborate(self, platform):
        m = Module()
        action, status = self.action, self.action.status
        m.d.comb += self.first.eq(Step.STOPPED)
        with m.Switch(self.opcode):
            for (first, *based), access, patterns in MODES:
                with m.Case(*patterns.split()):
                    m.d.comb += [
                        self.first.eq(first),
                        self.based.eq(based[0] if based else access),
                        self.access.eq(access),
                    ]
        m.d.comb += self.waits.eq(self.access != Step.READ)
        if self.variant is Variant.CMOS:
            with m.If(self.opcode.matches(EAGER_ON_CMOS)):
                m.d.comb += self.waits.eq(0)
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
