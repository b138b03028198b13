"""The sequences of clocks as a table: what each step does, and which step follows it."""

from dataclasses import dataclass, replace

from amaranth.lib import enum

from .alu import AluOperation
from .stack import StackMove
from .variant import Variant
from .word import AddressSource, LatchNext, Left, PcNext, Right

__all__ = ["ACCESS", "BASED", "SETTLED", "Step", "StepRow", "rows"]


class Step(enum.Enum, shape=6):
    """What is done in one clock; `rows` says it for each step but FIRST."""

    FETCH = 0
    FIRST = enum.auto()  # stands for the step of the clock after FETCH, which the opcode chooses
    # No operand in memory, or one behind the opcode; on CMOS, a decimal sum takes a clock more.
    IMPLIED = enum.auto()
    IMMEDIATE = enum.auto()
    REPEAT = enum.auto()
    # The operand's address, then the access: a read, a write, or a read, a rest and a write.
    ZERO_PAGE = enum.auto()
    ZERO_PAGE_X = enum.auto()
    ZERO_PAGE_Y = enum.auto()
    ABSOLUTE_LOW = enum.auto()
    ABSOLUTE_HIGH = enum.auto()
    ABSOLUTE_X = enum.auto()
    ABSOLUTE_Y = enum.auto()
    # A pointer in page zero: X is added to where it lies, or Y to what it holds.
    POINTER_X = enum.auto()
    POINTER_X_LOW = enum.auto()
    POINTER_X_HIGH = enum.auto()
    POINTER_Y = enum.auto()
    POINTER_Y_LOW = enum.auto()
    POINTER_Y_HIGH = enum.auto()
    # The clock in which an index reaches the next page, or in which it might have.
    INDEX_CARRY = enum.auto()
    INDEX_WAIT = enum.auto()
    READ = enum.auto()
    WRITE = enum.auto()
    MODIFY_READ = enum.auto()
    MODIFY_HOLD = enum.auto()
    MODIFY_WRITE = enum.auto()
    # JMP; a branch, which goes on if taken, and again if its target lies in another page.
    JUMP_LOW = enum.auto()
    JUMP_HIGH = enum.auto()
    INDIRECT_LOW = enum.auto()
    INDIRECT_CARRY = enum.auto()  # this and the next on CMOS only
    INDIRECT_WAIT = enum.auto()
    INDIRECT_HIGH = enum.auto()
    BRANCH = enum.auto()
    BRANCH_LOW = enum.auto()
    BRANCH_HIGH = enum.auto()
    # Instructions of one byte that use the stack read the next byte and discard it.
    DISCARD = enum.auto()
    PUSH = enum.auto()
    PULL_STACK = enum.auto()
    PULL = enum.auto()
    # JSR, RTS, RTI; a clock called STACK reads the stack and discards what it reads.
    CALL_LOW = enum.auto()
    CALL_STACK = enum.auto()
    CALL_PUSH_HIGH = enum.auto()
    CALL_PUSH_LOW = enum.auto()
    RETURN_STACK = enum.auto()
    RETURN_LOW = enum.auto()
    RETURN_HIGH = enum.auto()
    RETURN_NEXT = enum.auto()
    RESUME_STACK = enum.auto()
    RESUME_STATUS = enum.auto()
    RESUME_LOW = enum.auto()
    RESUME_HIGH = enum.auto()
    # The entry of an interrupt; BRK joins it at its first push.
    BREAK = enum.auto()
    ENTER = enum.auto()
    ENTER_DISCARD = enum.auto()
    ENTER_PUSH_HIGH = enum.auto()
    ENTER_PUSH_LOW = enum.auto()
    ENTER_PUSH_STATUS = enum.auto()
    VECTOR_LOW = enum.auto()
    VECTOR_HIGH = enum.auto()
    # An opcode that is not built; only reset leads on.
    STOPPED = enum.auto()


#: In place of the step that follows: what the opcode says. `BASED`, the base's low byte is there;
#: `ACCESS`, the address is known; `SETTLED`, it is known unless the access must wait a clock for a
#: carry that did not come.
BASED, ACCESS, SETTLED = object(), object(), object()


@dataclass(frozen=True)
class StepRow:
    """What is done in the clock of a step, and what follows.

    Fields with the names of the control word's are what goes into it.
    """

    address: AddressSource
    next: object = None  # a Step, or what the opcode says; None: the sequence's last clock
    detour: tuple[str, Step] | None = None  # a condition, and the step that follows if it holds
    execute: bool = False  # registers and flags take what the opcode says, unless there is a detour
    write: bool = False
    left: Left | None = None  # None: the opcode's
    operation: AluOperation | None = None  # None: the opcode's
    right: Right = Right.BUS
    pc: PcNext = PcNext.HOLD
    waits: bool = False  # the program counter holds if there is a detour
    stack: StackMove = StackMove.HOLD
    low: LatchNext = LatchNext.HOLD
    high: LatchNext = LatchNext.HOLD
    latch: LatchNext = LatchNext.HOLD
    flags: str = ""  # those that take the value that an interrupt's entry gives them


def rows(variant):
    """What each step does, in the order of the bus: a read that is discarded is a step too.

    An addressing mode is a step for each clock between the fetch and the access.
    """
    pc, operand, stack = AddressSource.PC, AddressSource.OPERAND, AddressSource.STACK
    push, pull = StackMove.PUSH, StackMove.PULL
    step, jump = PcNext.INCREMENT, PcNext.JUMP
    bus, zero, result = LatchNext.BUS, LatchNext.ZERO, LatchNext.ALU
    unchanged, extended = AluOperation.PASS, ("extended", Step.REPEAT)
    cmos = variant is Variant.CMOS

    def put(left, next_step):
        return StepRow(stack, next_step, write=True, left=left, operation=unchanged, stack=push)

    def index(address, next_step, register, to=Right.LOW, **more):
        """An index is added to a base's low byte."""
        return StepRow(
            address, next_step, left=register, right=to, operation=AluOperation.OFFSET, low=result,
            **more,
        )  # fmt: skip

    # The base's high byte is read meanwhile; that a page was crossed shows in the carry.
    crossing = {"high": bus, "pc": step, "waits": True, "detour": ("carried", Step.INDEX_CARRY)}

    def count(next_step, left, **more):
        """A byte of an address goes up by one."""
        return StepRow(operand, next_step, left=left, operation=AluOperation.INCREMENT, **more)

    return {
        Step.FETCH: StepRow(pc, Step.FIRST, pc=step),
        Step.IMPLIED: StepRow(pc, execute=True),
        Step.IMMEDIATE: StepRow(pc, pc=step, execute=True, latch=bus, detour=extended),
        Step.REPEAT: StepRow(pc, right=Right.LATCH, execute=True),
        Step.ZERO_PAGE: StepRow(pc, BASED, pc=step, low=bus, high=zero),
        Step.ZERO_PAGE_X: index(operand, ACCESS, Left.X),
        Step.ZERO_PAGE_Y: index(operand, ACCESS, Left.Y),
        Step.ABSOLUTE_LOW: StepRow(pc, BASED, pc=step, low=bus),
        Step.ABSOLUTE_HIGH: StepRow(pc, ACCESS, pc=step, high=bus),
        Step.ABSOLUTE_X: index(pc, SETTLED, Left.X, **crossing),
        Step.ABSOLUTE_Y: index(pc, SETTLED, Left.Y, **crossing),
        Step.POINTER_X: index(operand, Step.POINTER_X_LOW, Left.X),
        Step.POINTER_X_LOW: count(Step.POINTER_X_HIGH, Left.LOW, low=result, latch=bus),
        Step.POINTER_X_HIGH: StepRow(
            operand, ACCESS, left=Left.LATCH, operation=unchanged, low=result, high=bus
        ),
        Step.POINTER_Y: StepRow(pc, Step.POINTER_Y_LOW, low=bus, high=zero),
        Step.POINTER_Y_LOW: count(Step.POINTER_Y_HIGH, Left.LOW, low=result, latch=bus),
        Step.POINTER_Y_HIGH: index(operand, SETTLED, Left.Y, Right.LATCH, **crossing),
        # NMOS reads in the page that the carry has not reached; CMOS the instruction's last byte.
        Step.INDEX_CARRY: replace(
            count(ACCESS, Left.HIGH, high=result, pc=step), address=pc if cmos else operand
        ),
        Step.INDEX_WAIT: StepRow(operand, ACCESS),
        Step.READ: StepRow(operand, execute=True, latch=bus, detour=extended),
        Step.WRITE: StepRow(operand, write=True),
        Step.MODIFY_READ: StepRow(operand, Step.MODIFY_HOLD, latch=bus),
        # NMOS writes the unmodified byte back while it works on it; CMOS reads it again.
        Step.MODIFY_HOLD: StepRow(
            operand, Step.MODIFY_WRITE, write=not cmos, left=Left.LATCH, operation=unchanged
        ),
        Step.MODIFY_WRITE: StepRow(operand, write=True, execute=True),
        Step.JUMP_LOW: StepRow(pc, Step.JUMP_HIGH, pc=step, latch=bus),
        Step.JUMP_HIGH: StepRow(pc, pc=jump),
        # NMOS drops the carry, so the pointer wraps in its page; CMOS takes a clock for it.
        Step.INDIRECT_LOW: count(
            Step.INDIRECT_WAIT if cmos else Step.INDIRECT_HIGH,
            Left.LOW,
            low=result,
            latch=bus,
            detour=("carried", Step.INDIRECT_CARRY) if cmos else None,
        ),
        Step.INDIRECT_CARRY: count(Step.INDIRECT_HIGH, Left.HIGH, high=result),
        Step.INDIRECT_WAIT: StepRow(operand, Step.INDIRECT_HIGH),
        Step.INDIRECT_HIGH: StepRow(operand, pc=jump),
        Step.BRANCH: StepRow(pc, pc=step, latch=bus, detour=("taken", Step.BRANCH_LOW)),
        Step.BRANCH_LOW: StepRow(
            pc,
            pc=PcNext.LOW,
            left=Left.PC_LOW,
            right=Right.LATCH,
            operation=AluOperation.OFFSET,
            detour=("crossed", Step.BRANCH_HIGH),
        ),
        Step.BRANCH_HIGH: StepRow(
            pc, pc=PcNext.HIGH, left=Left.PC_HIGH, right=Right.LATCH, operation=AluOperation.EXTEND
        ),
        Step.DISCARD: StepRow(pc, ACCESS),
        Step.PUSH: StepRow(stack, write=True, stack=push),
        Step.PULL_STACK: StepRow(stack, Step.PULL, stack=pull),
        Step.PULL: StepRow(stack, execute=True),
        Step.CALL_LOW: StepRow(pc, Step.CALL_STACK, pc=step, latch=bus),
        Step.CALL_STACK: StepRow(stack, Step.CALL_PUSH_HIGH),
        Step.CALL_PUSH_HIGH: put(Left.PC_HIGH, Step.CALL_PUSH_LOW),
        Step.CALL_PUSH_LOW: put(Left.PC_LOW, Step.JUMP_HIGH),
        Step.RETURN_STACK: StepRow(stack, Step.RETURN_LOW, stack=pull),
        Step.RETURN_LOW: StepRow(stack, Step.RETURN_HIGH, stack=pull, latch=bus),
        Step.RETURN_HIGH: StepRow(stack, Step.RETURN_NEXT, pc=jump),
        Step.RETURN_NEXT: StepRow(pc, pc=step),
        Step.RESUME_STACK: StepRow(stack, Step.RESUME_STATUS, stack=pull),
        Step.RESUME_STATUS: StepRow(stack, Step.RESUME_LOW, stack=pull, execute=True),
        Step.RESUME_LOW: StepRow(stack, Step.RESUME_HIGH, stack=pull, latch=bus),
        Step.RESUME_HIGH: StepRow(stack, pc=jump),
        Step.BREAK: StepRow(pc, Step.ENTER_PUSH_HIGH, pc=step),
        Step.ENTER: StepRow(pc, Step.ENTER_DISCARD),
        Step.ENTER_DISCARD: StepRow(pc, Step.ENTER_PUSH_HIGH),
        Step.ENTER_PUSH_HIGH: put(Left.PC_HIGH, Step.ENTER_PUSH_LOW),
        Step.ENTER_PUSH_LOW: put(Left.PC_LOW, Step.ENTER_PUSH_STATUS),
        Step.ENTER_PUSH_STATUS: put(Left.STATUS, Step.VECTOR_LOW),
        Step.VECTOR_LOW: StepRow(AddressSource.VECTOR_LOW, Step.VECTOR_HIGH, latch=bus),
        Step.VECTOR_HIGH: StepRow(AddressSource.VECTOR_HIGH, pc=jump, flags="id" if cmos else "i"),
        Step.STOPPED: StepRow(pc, Step.STOPPED),
    }
