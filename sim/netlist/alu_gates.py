"""The ALU's part of the netlist by itself: an operation, and every input it can have at once."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from functools import cached_property
from typing import Any, Final

import numpy as np
import numpy.typing as npt

from carrywave.rtl.alu import AluOperation
from carrywave.rtl.decode import ACTIONS
from carrywave.rtl.word import Left

from ..family.instructions import BY_MNEMONIC
from .compiled import compile_wires, cone, pack, unpack
from .synthesis import Gate, Netlist, drawn_netlist

#: The ALU's inputs and outputs in the netlist, where its part of the gates begins and ends.
SOURCES: Final = ("a", "b", "carry_in", "decimal", "operation")
OUTPUTS: Final = ("operand", "carry", "sum", "result", "n", "v", "z", "c")
OPERANDS: Final = ("ADD", "SUBTRACT", "COMPARE", "AND", "OR", "XOR", "BIT")
CARRIED: Final = ("ADD", "SUBTRACT", "ROTATE_LEFT", "ROTATE_RIGHT")
Bytes = npt.NDArray[np.uint8]


@dataclass(frozen=True, slots=True)
class Use:
    """What an instruction asks of the ALU."""

    mnemonic: str
    operation: AluOperation
    left: str  # what it works on: A, X, Y, or M for a byte of memory
    operand: bool  # whether there is a byte M beside it
    carry: bool  # whether the carry flag has a part in it
    decimal: bool  # whether the decimal flag has
    flags: str  # those that the instruction takes from the ALU, of "nvzc"


def opcodes_of(patterns: Iterable[str]) -> set[int]:
    """The opcodes that the decoder's patterns mean: their bits, highest first, `-` for either."""
    return {
        opcode
        for pattern in patterns
        for opcode in range(256)
        if all(bit in ("-", is_) for bit, is_ in zip(pattern, f"{opcode:08b}", strict=True))
    }


def _uses() -> dict[str, Use]:
    actions: dict[int, Any] = {
        opcode: (operation, left, flags)
        for patterns, operation, left, _, flags in ACTIONS
        if operation is not AluOperation.PASS
        for opcode in opcodes_of(patterns)
    }
    found = {}
    for mnemonic, modes in BY_MNEMONIC.items():
        # A shift of the accumulator comes before that of memory: it is the same operation.
        opcodes = sorted((form.mode.operand != "a", form.opcode) for form in modes.values())
        if opcodes[0][1] not in actions:
            continue
        operation, left, flags = actions[opcodes[0][1]]
        found[mnemonic] = Use(
            mnemonic, operation, "M" if left is Left.LATCH else left.name,
            operation.name in OPERANDS, operation.name in CARRIED,
            operation.name in ("ADD", "SUBTRACT"), flags,
        )  # fmt: skip
    return found


#: The instructions that the ALU does more for than to pass a byte through.
MNEMONICS: Final = _uses()


@dataclass(frozen=True, eq=False)
class Inputs:
    """Inputs of the ALU, a row each: `left` is A, X, Y or a byte of memory, and `m` the other."""

    left: Bytes
    m: Bytes
    carry_in: Bytes
    decimal: Bytes

    def __len__(self) -> int:
        return len(self.left)

    @classmethod
    def every(cls, use: Use, variant: str = "nmos") -> Inputs:
        """Every input that can matter: decimal off before on, then by carry, left and M.

        What has no part in the operation is 0; where decimal mode is not connected, so is D.
        """
        widths = (use.decimal and variant != "binary", use.carry, 8, 8 * use.operand)
        rows = np.arange(1 << sum(widths), dtype=np.uint32)
        columns = []
        for width in reversed(widths):
            columns.append((rows & ((1 << width) - 1)).astype(np.uint8))
            rows >>= np.uint32(width)
        m, left, carry_in, decimal = columns
        return cls(left, m, carry_in, decimal)


class AluGates:
    """The gates between the ALU's inputs and its outputs, of a variant's netlist.

    `gates` are in order, `sources` and `outputs` give the wires of each port, lowest bit first. A
    port that the variant has no gates for is not there: `decimal`, with decimal mode disconnected.
    """

    def __init__(self, variant: str = "nmos", netlist: Netlist | None = None) -> None:
        """Raises NetlistError if the netlist cannot be made."""
        self.variant = variant
        self.netlist = drawn_netlist(variant) if netlist is None else netlist
        names = self.netlist.names
        self.sources = {name: names[f"alu.{name}"] for name in SOURCES if f"alu.{name}" in names}
        self.outputs = {name: names[f"alu.{name}"] for name in OUTPUTS}
        #: The wires of all inputs, in the order of `planes`, and of all outputs.
        self.source_wires = [wire for port in self.sources.values() for wire in port]
        self.output_wires = [wire for port in self.outputs.values() for wire in port]
        self.gates: list[Gate] = cone(self.netlist, self.output_wires, self.source_wires)

    def planes(self, operation: AluOperation, inputs: Inputs) -> list[int]:
        """The values of `source_wires`: bit i of each is row i of the inputs."""
        columns = {"a": inputs.left, "b": inputs.m, "carry_in": inputs.carry_in,
                   "decimal": inputs.decimal}  # fmt: skip
        ones = (1 << len(inputs)) - 1
        planes: list[int] = []
        for name, wires in self.sources.items():
            if name in columns:
                planes += pack(columns[name], len(wires))
            else:
                planes += [ones * (operation.value >> bit & 1) for bit in range(len(wires))]
        return planes

    @cached_property
    def _function(self) -> Any:
        return compile_wires(self.netlist, self.output_wires, self.source_wires)

    def evaluate(
        self, operation: AluOperation, inputs: Inputs, names: Iterable[str] = OUTPUTS
    ) -> dict[str, npt.NDArray[Any]]:
        """The outputs named, as columns of a row for each of the inputs."""
        rows = len(inputs)
        values: Sequence[int] = self._function(self.planes(operation, inputs), (1 << rows) - 1)
        places = iter(values)
        found = {name: [next(places) for _ in wires] for name, wires in self.outputs.items()}
        return {
            name: unpack(found[name], rows, np.uint16 if len(found[name]) > 8 else np.uint8)
            for name in names
        }
