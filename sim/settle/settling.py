"""The carry in time: how the ALU's gates settle, one gate delay a step.

Every gate's output follows its inputs one step later, a multiplexer as one gate like the others;
what changes in a step is worked out from the step before alone. The operation and the decimal
line are those of the new operation before and after, so that what moves is the data's doing.
"""

from collections.abc import Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass
from functools import cached_property
from typing import Any, Final

import numpy as np

from ..netlist.alu_gates import MNEMONICS, AluGates, Inputs, Use
from ..netlist.compiled import FUNCTIONS, depths, unpack
from ..netlist.synthesis import ONE, ZERO, Gate, drawn_netlist
from ..op.operation import CHAIN, arrange
from ..system.errors import UnusableError

START: Final = (0, 0, 0)  # A, M and the carry before
NAMES: Final = ("a", "b", "carry_in", "decimal")  # the ALU's ports for them, and for D
WIDTHS: Final = {"operand": 8, "carry": 9, "sum": 8, "result": 8}  # a flag has one bit


class SettleError(UnusableError):
    """The question cannot be asked; the message is one line."""


def settled(gates: Iterable[Gate], sources: Mapping[int, int], ones: int) -> dict[int, int]:
    """The value of every wire when nothing changes any more; `sources` are those of the inputs."""
    values = {ZERO: 0, ONE: ones, **sources}
    for gate in gates:
        values[gate.output] = FUNCTIONS[gate.kind](ones, *(values[wire] for wire in gate.inputs))
    return values


def generations(
    alu: AluGates, before: Mapping[int, int], after: Sequence[int], ones: int
) -> Iterator[dict[int, int]]:
    """Yields for each step the wires that change in it, with their new values.

    `before` is what `settled` says of the old inputs, and `after` are the planes of the new ones,
    as `AluGates.planes` makes them: bit i of each is row i, and `ones` has a bit for each row.
    Step 0 is the inputs' own; the step after the last that is yielded would change nothing.
    """
    values = dict(before)
    readers: dict[int, list[Gate]] = {}
    for gate in alu.gates:
        for wire in gate.inputs:
            readers.setdefault(wire, []).append(gate)
    new = zip(alu.source_wires, after, strict=True)
    changed = {wire: plane for wire, plane in new if plane != values[wire]}
    yield changed
    while changed:
        values |= changed
        # Gates whose inputs stay are passed over: they are nine in ten.
        due = {gate.output: gate for wire in changed for gate in readers.get(wire, ())}
        changed = {}
        for wire, gate in due.items():
            value = FUNCTIONS[gate.kind](ones, *(values[read] for read in gate.inputs))
            if value != values[wire]:
                changed[wire] = value
        if changed:
            yield changed


def use_of(mnemonic: str) -> Use:
    """What a mnemonic asks of the ALU. Raises SettleError if nothing is computed there."""
    if mnemonic not in MNEMONICS:
        raise SettleError(
            f"the ALU computes nothing for {mnemonic}: give one of {' '.join(MNEMONICS)}"
        )
    return MNEMONICS[mnemonic]


def ports_of(use: Use) -> tuple[str, ...]:
    """The outputs that an operation makes something of: those of the chain, and its own flags."""
    chain = ("operand", "carry", "sum") if use.operation.name in CHAIN else ()
    return *chain, "result", *(flag for flag in "nvzc" if flag in use.flags)


def alu_of(variant: str, adder: str) -> AluGates:
    """The ALU with a form of adder. Raises NetlistError if the netlist cannot be made."""
    return AluGates(variant, drawn_netlist(variant, adder))


def depth_of(alu: AluGates) -> int:
    """How many gates the longest path through the ALU has, whether a change can take it or not."""
    return max(depths(alu.gates).values())


def differing(
    alu: AluGates, use: Use, after: Inputs, values: Mapping[int, int], ports: Sequence[str]
) -> int:
    """In how many rows the outputs are not those of the same gates without delay."""
    found = alu.evaluate(use.operation, after, ports)
    wrong = np.zeros(len(after), bool)
    for port in ports:
        planes = [values[wire] for wire in alu.outputs[port]]
        wrong |= unpack(planes, len(after), found[port].dtype) != found[port]
    return int(np.count_nonzero(wrong))


def name_of(port: str, bit: int) -> str:
    """A wire's name in reports: c0 to c8, sum[3], n."""
    return f"c{bit}" if port == "carry" else port if port in "nvzc" else f"{port}[{bit}]"


@dataclass(frozen=True)
class Settling:
    """How one operation settles. Ports are numbers, by name; a step is one gate delay."""

    mnemonic: str
    operation: str
    variant: str
    adder: str
    gates: int
    depth: int
    start: dict[str, int]  # the inputs before: a, b, carry_in, decimal
    inputs: dict[str, int]
    steps: tuple[dict[str, int], ...]  # the outputs from step 0, when they are as before
    moved: tuple[int, ...]  # in each step, how many gates changed
    agree: bool  # the last values are those of the gates without delay

    @cached_property
    def changes(self) -> dict[str, list[int]]:
        """For each wire of the outputs, the steps in which it changes."""
        found: dict[str, list[int]] = {}
        for port in self.steps[0]:
            for bit in range(WIDTHS.get(port, 1)):
                values = [step[port] >> bit & 1 for step in self.steps]
                found[name_of(port, bit)] = [
                    i for i in range(1, len(values)) if values[i] != values[i - 1]
                ]
        return found

    @property
    def settled(self) -> int:
        """The step in which an output changes last; 0 if none does."""
        return max(max(steps, default=0) for steps in self.changes.values())

    @property
    def glitches(self) -> dict[str, list[int]]:
        """The wires that change more than once, with the steps."""
        return {name: steps for name, steps in self.changes.items() if len(steps) > 1}

    def to_json(self) -> dict[str, Any]:
        """Plain values; inputs and outputs by the names of the ALU's ports."""
        steps = enumerate(zip(self.steps, self.moved, strict=True))
        return {
            "mnemonic": self.mnemonic, "variant": self.variant, "adder": self.adder,
            "gates": self.gates, "depth": self.depth, "from": self.start, "inputs": self.inputs,
            "settled": self.settled,
            "steps": [{"step": i, "gates": moved, **step} for i, (step, moved) in steps],
            "changes": self.changes, "glitches": sorted(self.glitches), "agree": self.agree,
        }  # fmt: skip


def settle(
    mnemonic: str,
    numbers: Sequence[int],
    carry: int = 0,
    decimal: bool = False,
    start: tuple[int, int, int] = START,
    variant: str = "nmos",
    adder: str = "ripple",
    alu: AluGates | None = None,
) -> Settling:
    """Settles one operation from the state in which A, the operand and the carry were `start`.

    Raises SettleError for a mnemonic that the ALU computes nothing for, UsageError for numbers that
    do not fit it, NetlistError if the gates cannot be had.
    """
    use = use_of(mnemonic)
    left, m = arrange(mnemonic, numbers)
    if use.left == "M":
        left, m = m, 0
    alu = alu_of(variant, adder) if alu is None else alu
    before, after = (
        Inputs(*(np.array([n], np.uint8) for n in (*bytes_and_carry, int(decimal))))
        for bytes_and_carry in (start, (left, m, carry))
    )
    old, new = (alu.planes(use.operation, inputs) for inputs in (before, after))
    values = settled(alu.gates, dict(zip(alu.source_wires, old, strict=True)), 1)
    ports, steps, moved = ports_of(use), list[dict[str, int]](), list[int]()
    for changed in generations(alu, values, new, 1):
        values |= changed
        moved.append(len(changed) if steps else 0)
        steps.append({p: sum(values[w] << i for i, w in enumerate(alu.outputs[p])) for p in ports})
    return Settling(
        mnemonic, use.operation.name, variant, adder, len(alu.gates), depth_of(alu),
        dict(zip(NAMES, (*start, int(decimal)), strict=True)),
        dict(zip(NAMES, (left, m, carry, int(decimal)), strict=True)),
        tuple(steps), tuple(moved), not differing(alu, use, after, values, ports),
    )  # fmt: skip
