"""What the page carries as data: the gates' places, the bench's words, the listings."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from typing import Any, Final

from carrywave.rtl.alu import AluOperation
from carrywave.rtl.interrupts import EntryCause
from carrywave.rtl.steps import Step
from carrywave.rtl.word import AddressSource, LatchNext, Left, PcNext, Right, Target
from carrywave.sim.claim import expressions
from carrywave.sim.claim.asked import vocabulary
from carrywave.sim.claim.claims import INSTEAD
from carrywave.sim.family.instructions import BY_OPCODE
from carrywave.sim.family.members import VARIANTS
from carrywave.sim.family.status_byte import FLAG_BITS
from carrywave.sim.netlist.alu_gates import MNEMONICS, AluGates
from carrywave.sim.netlist.javascript import (
    KINDS,
    script_of_clock,
    script_of_wires,
    table_of,
)
from carrywave.sim.netlist.synthesis import Netlist
from carrywave.sim.op import reasons
from carrywave.sim.op.operation import CHAIN
from carrywave.sim.program.assembler import Program
from carrywave.sim.program.lanes import Lanes
from carrywave.sim.program.predicted import power_up
from carrywave.sim.witness.gates import EARLY, GateUnit

#: What the page shows of a clock once memory has answered, by the netlist's names.
LATE: Final = (
    "data_out", "alu.a", "alu.b", "alu.operand", "alu.carry", "alu.sum", "alu.result",
    "alu.n", "alu.v", "alu.z", "alu.c", "alu.operation", "status.update__flags",
    "control.step", "control.word__action__left", "control.word__right", "control.word__address",
    "control.word__action__target", "control.word__low", "control.word__high",
    "control.word__latch", "control.word__pc", "control.word__pushed_b", "control.word__pc_holds",
    "pc_adder.carry", "stack.adder.carry", "stack.move",
)  # fmt: skip
#: Choices of the control word, by number.
ENUMS: Final[dict[str, type[Any]]] = {
    "operation": AluOperation, "cause": EntryCause, "step": Step, "address": AddressSource,
    "latch": LatchNext, "left": Left, "pc": PcNext, "right": Right, "target": Target,
}  # fmt: skip


def scripts_of(netlist: Netlist, variant: str) -> dict[str, str]:
    """The compiled functions of a variant, by name."""
    alu = AluGates(variant, netlist)
    names = netlist.names | netlist.outputs
    early = [wire for name in EARLY for wire in netlist.outputs[name]]
    late = [wire for name in LATE for wire in names[name]]
    return {
        "alu": script_of_wires(netlist, alu.output_wires, alu.source_wires),
        "clock": script_of_clock(netlist, early, late),
    }


def _places(ports: Iterable[tuple[str, Sequence[int]]]) -> dict[str, list[int]]:
    """Where each port's wires lie in an array: the first, and how many."""
    found, at = {}, 0
    for name, wires in ports:
        found[name] = [at, len(wires)]
        at += len(wires)
    return found


def places_of(netlist: Netlist, variant: str) -> dict[str, Any]:
    """Where the functions of a variant have what; its ALU gate by gate; the state of power-up."""
    alu, unit = AluGates(variant, netlist), GateUnit(netlist)
    names = netlist.names | netlist.outputs
    table, number = table_of(alu.gates, alu.source_wires)
    state = Lanes(unit).load(power_up().reshape(1))
    return {
        "gates": len(netlist.gates),
        "sources": _places(alu.sources.items()),
        "outputs": _places(alu.outputs.items()),
        "table": table,
        "wires": {name: [number[wire] for wire in wires] for name, wires in alu.outputs.items()},
        "flops": unit.flops,
        "inputs": _places((name, netlist.inputs[name]) for name in unit.inputs),
        "early": _places((name, netlist.outputs[name]) for name in EARLY),
        "late": _places((name, names[name]) for name in LATE),
        "power": state,
    }


def _names(choice: Any) -> list[str]:
    return [member.name for member in choice]


def words() -> dict[str, Any]:
    """What the bench says of operations and claims, so that the page says the same."""
    vocabularies = {}
    for variant in ("nmos", "binary"):
        vocabularies[variant] = {
            name: dict(zip(("names", "absent"), vocabulary(name, variant), strict=True))
            for name, use in MNEMONICS.items() if variant == "nmos" or use.decimal
        }  # fmt: skip
    return {
        "uses": {
            name: {
                "operation": use.operation.value, "name": use.operation.name, "left": use.left,
                "operand": use.operand, "carry": use.carry, "decimal": use.decimal,
                "flags": use.flags,
            }
            for name, use in MNEMONICS.items()
        },
        "chain": CHAIN, "meanings": reasons.MEANINGS, "names": reasons.NAMES,
        "invalid": reasons.INVALID, "aboveNine": reasons.ABOVE_NINE, "kinds": KINDS,
        "variants": VARIANTS, "flagBits": FLAG_BITS, "writers": INSTEAD,
        "vocabulary": vocabularies,
        "grammar": {
            "longest": expressions.LONGEST, "deepest": expressions.DEEPEST,
            "largest": expressions.LARGEST, "bound": expressions.BOUND,
            "shifts": expressions.SHIFTS, "carries": expressions.CARRIES,
            "functions": expressions.FUNCTIONS, "instead": expressions.INSTEAD,
        },
        "enums": {name: _names(choice) for name, choice in ENUMS.items()},
        "mnemonics": [
            BY_OPCODE[opcode].mnemonic if opcode in BY_OPCODE else "" for opcode in range(256)
        ],
    }  # fmt: skip


def listing_of(name: str, text: str, program: Program) -> dict[str, Any]:
    """A listing: its text, its bytes as runs, what pins do where, and which line is where."""
    runs: list[tuple[int, bytearray]] = []
    for address in sorted({*program.given, 0xFFFC, 0xFFFD}):
        if not runs or address != runs[-1][0] + len(runs[-1][1]):
            runs.append((address, bytearray()))
        runs[-1][1].append(program.memory[address])
    return {
        "name": name, "text": text,
        "memory": [[address, data.hex()] for address, data in runs],
        "lines": {address: line.number for address, line in program.lines.items()},
        "labels": program.labels,
        "pins": {
            address: [[event.pin, event.level, event.delay, event.width] for event in events]
            for address, events in program.pin_events.items()
        },
    }  # fmt: skip
