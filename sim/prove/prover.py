"""The proof of one instruction or entry, property by property; a state that shows what fails."""

import time
from collections.abc import Iterator, Mapping, Sequence
from contextlib import suppress
from dataclasses import dataclass, field
from itertools import count
from typing import Any, Final

import numpy as np
import z3

from ..cases.kinds import lay_reads
from ..cases.layout import CASE, Cases, plain
from ..family.instructions import Instruction
from ..family.members import EVENTS
from ..family.status_byte import status_of
from .machine import CONTROL, PINS, STATE, Machine, Path, Paths, label
from .specification import SYMBOLS, Specification
from .standstill import ROWS, Properties, Standstill
from .terms import DECLARED, BitTable, Query, UnknownError, Wire, read_terms, vector_of

TOLD: Final = ("clock_number", "write", "sync", "stopped")
DISCARDED: Final = 0x5A  # what the gates witness puts on the bus where nothing is read
PATHS: Final = 8  # a sequence with more of them is not proved; four are the most there should be
TIMEOUT: Final = 60.0


@dataclass(frozen=True, eq=False)
class Refuted:
    """A property that does not hold, and a state that shows it.

    `case` is that state as any witness takes it; `beside` has what no case can say, by name: pins
    that move, an interrupt asked for before, what is left over in a latch.
    """

    variant: str
    instruction: Instruction
    field: str
    expected: int
    actual: int
    width: int  # in bits
    case: Cases
    beside: dict[str, int]

    @property
    def runs(self) -> bool:
        """Whether a witness can be put into that state: power-up and a stop are no case."""
        return self.instruction.mnemonic not in ROWS

    def to_json(self) -> dict[str, Any]:
        """Plain values."""
        instruction = self.instruction
        return {
            "variant": self.variant,
            "instruction": instruction.mnemonic,
            "mode": "" if instruction.opcode is None else instruction.mode.name,
            "opcode": instruction.opcode,
            "field": self.field,
            "expected": self.expected,
            "actual": self.actual,
            "case": plain(self.case),
            "beside": self.beside,
        }


def case_of(instruction: Instruction, known: Mapping[str, int], variant: str) -> Cases:
    """One case out of the values of a specification's symbols; of `ROWS` the registers alone."""
    case = np.zeros((), CASE)
    for name in ("pc", "a", "x", "y", "sp"):
        case[name] = known[name]
    case["p"] = status_of(known)
    if instruction.mnemonic in ROWS:
        return case
    if instruction.opcode is None:
        case["event"] = EVENTS.index(instruction.mnemonic)
    lay_reads(case, instruction, known, variant)
    return case


@dataclass
class Proof:
    """What was found out about one opcode or entry."""

    instruction: Instruction
    properties: int = 0
    refuted: list[Refuted] = field(default_factory=list)
    unproved: list[str] = field(default_factory=list)  # the solver gave up
    seconds: float = 0.0


class Prover:
    """Proves one opcode or entry. `timeout` is in seconds, for one question to the solver."""

    def __init__(
        self, machine: Machine, specification: Specification, timeout: float = TIMEOUT
    ) -> None:
        self.machine, self.specification = machine, specification
        self.table, self.query = BitTable(), Query(timeout)
        self.paths = Paths(machine, specification, self.table, self.query)
        self.proof = Proof(specification.instruction)

    def prove(self) -> Proof:
        """Every property, on every path."""
        began = time.perf_counter()
        row = self.specification.instruction.mnemonic
        for number, path in enumerate(() if row in ROWS else self.paths):
            if number == PATHS:
                self.proof.properties += 1
                self.proof.unproved.append("paths")
                break
            self._judge(path.condition, self._properties(path))
        for condition, properties in Standstill(self.machine, self.table).of(row):
            self._judge(condition, properties)
        self.proof.seconds = time.perf_counter() - began
        return self.proof

    # Properties

    def _properties(self, path: Path) -> Properties:
        """All that must hold where a sequence has gone this way."""
        specification, clocks = self.specification, len(path.bus)
        actual: dict[str, Any] = {"cycles": z3.BitVecVal(clocks, 4)}
        wanted = {"cycles": specification.after["cycles"]}
        if path.state is not None:
            for name, symbol in STATE.items():
                if symbol in specification.after:
                    actual[label(name)] = self._held(path.state, name)
                    wanted[label(name)] = specification.after[symbol]
            if clocks > 1:  # no sequence is shorter: `cycles` tells
                actual["next"] = self._follows(self._held(path.state, *CONTROL))
                wanted["next"] = specification.follows(clocks)
                actual["nmi_pending"] = self._held(path.state, "interrupts.nmi_pending")
                wanted["nmi_pending"] = specification.nmi_remembered(clocks)
        writes = count()
        for k, (outputs, clock) in enumerate(zip(path.bus, path.clocks, strict=False)):
            place, address = f"address[{k}]", specification.address(clock)
            if clock.writes:
                number = next(writes)
                place, byte = f"write_address[{number}]", f"write_value[{number}]"
                actual[byte] = vector_of(outputs["data_out"], self.table)
                wanted[byte] = specification.written[clock.writes]
            if address is not None:
                actual[place] = vector_of(outputs["address"], self.table)
                wanted[place] = address
            # That it is a write, and the three pins that tell of the sequence.
            told = [w for name in TOLD for w in outputs[name]]
            actual[f"control[{k}]"] = vector_of(told, self.table)
            wanted[f"control[{k}]"] = f"#b0{int(k == 0)}{int(bool(clock.writes))}{k:03b}"
        expected = read_terms(wanted)
        return {name: (actual[name], expected[name]) for name in actual}

    def _start(self, event: str) -> Any:
        """The control state that an instruction or entry starts from."""
        return vector_of(self.machine.starts[event], self.table)

    def _follows(self, control: Any) -> Any:
        """Which of these it is, as an index into EVENTS; 3 if none that may follow."""
        follows = z3.BitVecVal(3, 2)
        for index, event in reversed(list(enumerate(EVENTS[:3]))):
            follows = z3.If(control == self._start(event), z3.BitVecVal(index, 2), follows)
        return follows

    def _held(self, state: Sequence[Wire], *names: str) -> Any:
        return self.machine.held(state, self.table, *names)

    # Judgement

    def _judge(self, condition: tuple[Any, ...], properties: Properties) -> None:
        """Asks for a state in which one of them does not hold."""
        if not self.query.possible(*condition):
            return  # nothing goes this way, and of nothing anything could be proved
        proof = self.proof
        proof.properties += len(properties)
        wrong = {name: actual != expected for name, (actual, expected) in properties.items()}
        if not self.query.possible(*condition, z3.Or(*wrong.values())):
            return
        for name, differs in wrong.items():
            try:
                model = self.query.model(*condition, differs)
            except UnknownError:
                proof.unproved.append(name)
                continue
            if model is not None:
                model = self._plainest((*condition, differs), model)
                proof.refuted.append(self._refuted(name, properties[name], model))

    def _plainest(self, terms: tuple[Any, ...], model: Any) -> Any:
        """A state in which the terms hold and, if that can be, nothing is unusual.

        If it cannot be, the first one found, which is the one to be shown, has little that is.
        """
        wishes = self._plainly()
        with suppress(UnknownError):
            plainest = self.query.model(*terms, *wishes)
            if plainest is not None:
                return plainest
            for wish in wishes if not self.proof.refuted else ():
                plainer = self.query.model(*terms, wish)
                if plainer is not None:
                    terms, model = (*terms, wish), plainer
        return model

    def _plainly(self) -> list[Any]:
        """What makes a state one that every witness can be put into: no byte is two things."""
        instruction, pc = self.specification.instruction, DECLARED["pc"]
        terms = [term == usual for term, usual in self._beside()]
        terms += [z3.UGE(pc, 0x0200), z3.ULT(pc, 0xFF00)]
        places = {
            clock.address.smt()
            for clock in instruction.sequence(self.specification.variant)
            if clock.address and not clock.discards
        }
        terms.append(z3.Distinct(*read_terms({place: place for place in sorted(places)}).values()))
        if instruction.mnemonic == "IRQ":
            terms.append(z3.Not(DECLARED["i"]))
        return terms

    def _beside(self) -> Iterator[tuple[Any, Any]]:
        """What no case has, and what the gates witness puts there."""
        usual = {
            "earlier.low": DECLARED["y"], "earlier.high": DECLARED["x"],
            "earlier.latch": DECLARED["a"], "earlier.control.opcode": ~DECLARED["sp"],
            "nmi_before": z3.BoolVal(True),
        }  # fmt: skip
        for name, (whole, bits) in self.table.symbols.items():
            if name in usual:
                yield whole, usual[name]
            elif name.split(".")[0] in PINS:
                yield whole, z3.BoolVal(True)
            elif name.startswith("discarded"):
                yield whole, z3.BitVecVal(DISCARDED, 8)
            elif name == "nmi_pending" or name not in SYMBOLS:
                yield whole, z3.BitVecVal(0, len(bits)) if len(bits) > 1 else z3.BoolVal(False)

    def _refuted(self, name: str, values: tuple[Any, Any], model: Any) -> Refuted:
        """The state that a model of the solver is."""

        def number(term: Any) -> int:
            value = model.eval(term, model_completion=True)
            return int(z3.is_true(value)) if z3.is_bool(value) else int(value.as_long())

        instruction = self.specification.instruction
        known = {symbol: number(term) for symbol, term in DECLARED.items()}
        case = case_of(instruction, known, self.specification.variant)
        beside = {str(t): number(t) for t, usual in self._beside() if number(t) != number(usual)}
        actual, expected = (number(value) for value in values)
        width = 1 if z3.is_bool(values[0]) else values[0].size()
        return Refuted(
            self.specification.variant, instruction, name, expected, actual, width, case, beside
        )
