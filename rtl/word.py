"""The control word: all that control tells the datapath in a clock, and nothing else."""

from amaranth.lib import enum, wiring
from amaranth.lib.wiring import Out

from .alu import AluOperation
from .stack import StackMove
from .status import StatusUpdate

__all__ = [
    "Action", "AddressSource", "ControlWord", "LatchNext", "Left", "PcNext", "Right", "Target",
]  # fmt: skip


class AddressSource(enum.Enum, shape=3):
    """What is on the address bus."""

    PC = 0
    OPERAND = 1  # the operand's address, out of the latches `low` and `high`
    STACK = 2
    VECTOR_LOW = 3  # where the low byte of the interrupt's vector lies
    VECTOR_HIGH = 4


class PcNext(enum.Enum, shape=3):
    """What becomes of the program counter at the end of the clock."""

    HOLD = 0
    INCREMENT = 1
    JUMP = 2  # low byte from the latch `latch`, high byte from the bus
    LOW = 3  # low byte from the ALU
    HIGH = 4  # high byte from the ALU


class LatchNext(enum.Enum, shape=2):
    """What becomes of a latch at the end of the clock."""

    HOLD = 0
    BUS = 1
    ZERO = 2
    ALU = 3  # the ALU's result


class Left(enum.Enum, shape=4):
    """The byte that goes into the ALU's left input, `a`."""

    A = 0
    X = enum.auto()
    Y = enum.auto()
    SP = enum.auto()
    BUS = enum.auto()
    LATCH = enum.auto()
    LOW = enum.auto()
    HIGH = enum.auto()
    PC_LOW = enum.auto()
    PC_HIGH = enum.auto()
    STATUS = enum.auto()


class Right(enum.Enum, shape=2):
    """The byte that goes into the ALU's right input, `b`."""

    BUS = 0
    LATCH = 1
    LOW = 2


class Target(enum.Enum, shape=3):
    """The register that takes the ALU's result."""

    NONE = 0
    A = 1
    X = 2
    Y = 3
    SP = 4


#: What is done with an operand: as the opcode says, but for steps that use the ALU for themselves.
Action = wiring.Signature(
    {
        "left": Out(Left),
        "operation": Out(AluOperation),
        "target": Out(Target),
        "status": Out(StatusUpdate),
    }
)

ControlWord = wiring.Signature(
    {
        "action": Out(Action),
        "address": Out(AddressSource),
        "write": Out(1),
        "right": Out(Right),
        "pc": Out(PcNext),
        "pc_holds": Out(1),  # it does not take a step after all: a later clock does
        "stack": Out(StackMove),
        "low": Out(LatchNext),  # the operand's address, low byte
        "high": Out(LatchNext),
        "latch": Out(LatchNext),  # a byte that a later clock needs
        "pushed_b": Out(1),  # bit 4 of a status byte that is pushed
    }
)
