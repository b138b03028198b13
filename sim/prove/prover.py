"""The proof of one instruction or entry, property by property."""

from __future__ import annotations

import time
from collections.abc import Iterator, Sequence
from contextlib import suppress
from dataclasses import dataclass, field
from typing import Any, Final

import numpy as np
import z3

from ..cases.layout import CASE, Cases, plain
from ..family.instructions import BY_OPCODE
from ..family.members import EVENTS
from ..family.status import FLAG_BITS
from .machine import CONTROL, PINS, STATE, Machine
from .specification import ENTRIES, LONGEST, PRELUDE, SYMBOLS, Specification
from .terms import Query, Table, UnknownError, Wire, constant, term_of, vector_of

__all__ = ["Proof", "Prover", "Refuted"]

TOLD: Final = ("clock_number", "write", "sync", "stopped")
DISCARDED: Final = 0x5A  # what the gates witness puts on the bus where nothing is read
PATHS: Final = 8  # a sequence with more of them is not proved; four are the most there should be
TIMEOUT: Final = 60.0
DECLARED: Final = {
    name: z3.BitVec(name, width) if width else z3.Bool(name) for name, width in SYMBOLS.items()
}


@dataclass(frozen=True, slots=True)
class Path:
    """One of the ways in which a sequence can go; `state` is None if it does not end."""

    condition: tuple[Any, ...]
    bus: tuple[dict[str, list[Wire]], ...]
    state: list[Wire] | None


@dataclass(frozen=True, eq=False)
class Refuted:
    """A property that does not hold, and a state that shows it.

    `case` is that state as any witness takes it; `beside` has what no case can say, by name: pins
    that move, an interrupt asked for before, what is left over in a latch.
    """

    variant: str
    name: str
    mode: str
    opcode: int | None
    field: str
    expected: int
    actual: int
    width: int  # in bits
    case: Cases
    beside: dict[str, int]

    def to_json(self) -> dict[str, Any]:
        """Plain values."""
        return {
            "variant": self.variant,
            "instruction": self.name,
            "mode": self.mode,
            "opcode": self.opcode,
            "field": self.field,
            "expected": self.expected,
            "actual": self.actual,
            "case": plain(self.case),
            "beside": self.beside,
        }


@dataclass
class Proof:
    """What was found out about one opcode or entry."""

    name: str
    opcode: int | None
    properties: int = 0
    refuted: list[Refuted] = field(default_factory=list)
    unproved: list[str] = field(default_factory=list)  # the solver gave up
    seconds: float = 0.0


#: Properties by name: what the netlist has, and what it should have.
Properties = dict[str, tuple[Any, Any]]
Bus = tuple[dict[str, list[Wire]], ...]


class Prover:
    """Proves one opcode or entry. `timeout` is in seconds, for one question to the solver."""

    def __init__(
        self, machine: Machine, specification: Specification, timeout: float = TIMEOUT
    ) -> None:
        self.machine, self.specification = machine, specification
        self.table, self.query = Table(), Query(timeout)
        self.proof = Proof(specification.name, specification.opcode)

    def prove(self) -> Proof:
        """Every property, on every path."""
        began = time.perf_counter()
        name = self.specification.name
        start = self.machine.starts[name if name in EVENTS else "instruction"]
        for count, path in enumerate(self._walk(self.machine.symbols(self.table, start), (), ())):
            if count == PATHS:
                self.proof.properties += 1
                self.proof.unproved.append("paths")
                break
            self._judge(path.condition, self._properties(path))
        if name == "RESET":
            self._judge((), self._any_reset())
        self.proof.seconds = time.perf_counter() - began
        return self.proof

    # Paths

    def _walk(self, state: list[Wire], condition: tuple[Any, ...], bus: Bus) -> Iterator[Path]:
        """The ways from here on; `bus` has the clocks until now."""
        k = len(bus)
        if k == LONGEST:
            yield Path(condition, bus, None)
            return
        _, sync = self.machine.begin(state, self._pins(k))
        for ended, known in self._either(sync if k else 0, condition):
            if ended:
                yield Path(known, bus, state)
            else:
                yield from self._steer(state, known, bus)

    def _steer(self, state: list[Wire], condition: tuple[Any, ...], bus: Bus) -> Iterator[Path]:
        """The ways from here on, with control a number in each."""
        k = len(bus)
        unknown = [i for i in self.machine.steering if k and not isinstance(state[i], int)]
        if not unknown:
            clock, _ = self.machine.begin(state, self._pins(k))
            after, outputs = self.machine.finish(clock, self._data(k))
            yield from self._walk(after, condition, (*bus, outputs))
            return
        for value, known in self._either(state[unknown[0]], condition):
            settled = state.copy()
            settled[unknown[0]] = value
            yield from self._steer(settled, known, bus)

    def _pins(self, k: int) -> dict[str, Wire]:
        """The interrupt pins may do anything, in any clock."""
        return PINS | {pin: self.table.symbol(f"{pin}.{k}", 0)[0] for pin in ("irq_n", "nmi_n")}

    def _either(self, wire: Wire, condition: tuple[Any, ...]) -> list[tuple[int, tuple[Any, ...]]]:
        """The values that a wire can have, each with the condition for it."""
        if isinstance(wire, int):
            return [(wire, condition)]
        term = term_of(wire)
        ways = [
            (value, (*condition, meant))
            for value, meant in ((1, term), (0, z3.Not(term)))
            if self.query.possible(*condition, meant)
        ]
        return ways if len(ways) > 1 else [(value, condition) for value, _ in ways]

    def _data(self, k: int) -> Sequence[Wire]:
        """What memory answers in a clock: what the specification has there, or anything."""
        bus, opcode = self.specification.bus, self.specification.opcode
        read = None if k >= len(bus) or bus[k].write else bus[k].byte
        if read == "opcode" and opcode is not None:
            return constant(opcode, 8)
        return self.table.symbol(read or f"discarded.{k}", 8)

    # Properties

    def _properties(self, path: Path) -> Properties:
        """All that must hold where a sequence has gone this way."""
        specification, clocks = self.specification, len(path.bus)
        actual: dict[str, Any] = {"cycles": z3.BitVecVal(clocks, 4)}
        wanted = {"cycles": specification.after["cycles"]}
        if path.state is not None:
            for name, symbol in STATE.items():
                if symbol in specification.after:
                    label = f"p.{symbol}" if symbol in FLAG_BITS else symbol
                    actual[label] = self._held(path.state, name)
                    wanted[label] = specification.after[symbol]
            if clocks > 1:  # no sequence is shorter: `cycles` tells
                actual["next"] = self._follows(self._held(path.state, *CONTROL))
                wanted["next"] = specification.follows(clocks)
                actual["nmi_pending"] = self._held(path.state, "interrupts.nmi_pending")
                wanted["nmi_pending"] = specification.nmi_remembered(clocks)
        pushes = 0
        for k, (outputs, clock) in enumerate(zip(path.bus, specification.bus, strict=False)):
            place, byte = f"address[{k}]", f"stored[{k}]"
            if clock.write and clock.place.startswith("s"):
                place, byte = f"push_address[{pushes}]", f"pushed[{pushes}]"
                pushes += 1
            if clock.address is not None:
                actual[place] = vector_of(outputs["address"], self.table)
                wanted[place] = clock.address
            if clock.write and clock.byte is not None:
                actual[byte] = vector_of(outputs["data_out"], self.table)
                wanted[byte] = clock.byte
            # That it is a write, and the three pins that tell of the sequence.
            told = [w for name in TOLD for w in outputs[name]]
            actual[f"control[{k}]"] = vector_of(told, self.table)
            wanted[f"control[{k}]"] = f"#b0{int(k == 0)}{int(clock.write)}{k:03b}"
        expected = self._terms(wanted)
        return {name: (actual[name], expected[name]) for name in actual}

    def _any_reset(self) -> Properties:
        """What one clock of reset leaves of any state at all, and that it writes nothing."""
        state = self.machine.symbols(self.table, None)
        pins = {pin: self.table.symbol(f"{pin}.0", 0)[0] for pin in PINS} | {"reset_n": 0}
        clock, _ = self.machine.begin(state, pins)
        after, outputs = self.machine.finish(clock, self.table.symbol("discarded.0", 8))
        begins = self._held(after, *CONTROL) == self._start("RESET")
        return {
            "reset": (begins, z3.BoolVal(True)),
            "reset.write": (term_of(outputs["write"][0]), z3.BoolVal(False)),
        }

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
        """What flip-flops hold."""
        places = [i for name in names for i in self.machine.flops[name]]
        return vector_of([state[i] for i in places], self.table)

    def _terms(self, texts: dict[str, str]) -> dict[str, Any]:
        """Terms of the solver from SMT-LIB's text."""
        script = PRELUDE + "".join(f"(assert (= {text} {text}))" for text in texts.values())
        parsed = z3.parse_smt2_string(script, decls=DECLARED)
        return {name: equal.arg(0) for name, equal in zip(texts, parsed, strict=True)}

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
        """What makes a state one that every witness can be put into."""
        specification, pc = self.specification, DECLARED["pc"]
        terms = [term == usual for term, usual in self._beside()]
        terms += [z3.UGE(pc, 0x0200), z3.ULT(pc, 0xFF00)]
        if specification.mode == "absolute":
            place = self._terms({"": "(concat b2 b1)"})[""]
            terms += [z3.UGE(place, 0x0200), z3.ULT(place, 0xFF00), z3.UGE(place - pc + 8, 16)]
        if specification.name == "IRQ":
            terms.append(z3.Not(DECLARED["i"]))
        return terms

    def _beside(self) -> list[tuple[Any, Any]]:
        """What no case has, and what the gates witness puts there."""
        usual = {
            "low": DECLARED["y"], "high": DECLARED["x"], "latch": DECLARED["a"],
            "control.opcode": ~DECLARED["sp"], "nmi_before": z3.BoolVal(True),
        }  # fmt: skip
        result = []
        for name, (whole, bits) in self.table.symbols.items():
            if name in usual:
                result.append((whole, usual[name]))
            elif name.split(".")[0] in PINS:
                result.append((whole, z3.BoolVal(True)))
            elif name.startswith("discarded"):
                clock = self.specification.bus[int(name[-1]) :][:1]
                again = [c for c in clock if c.place == "ea" and c.byte in ("m", "")]
                result.append((whole, DECLARED["m"] if again else z3.BitVecVal(DISCARDED, 8)))
            elif name == "nmi_pending" or name not in SYMBOLS:
                nothing = z3.BitVecVal(0, len(bits)) if len(bits) > 1 else z3.BoolVal(False)
                result.append((whole, nothing))
        return result

    def _refuted(self, name: str, values: tuple[Any, Any], model: Any) -> Refuted:
        """The state that a model of the solver is."""
        specification = self.specification

        def number(term: Any) -> int:
            value = model.eval(term, model_completion=True)
            return int(z3.is_true(value)) if z3.is_bool(value) else int(value.as_long())

        known = {symbol: number(term) for symbol, term in DECLARED.items()}
        beside = {str(t): number(t) for t, usual in self._beside() if number(t) != number(usual)}
        actual, expected = (number(value) for value in values)
        width = 1 if z3.is_bool(values[0]) else values[0].size()
        return Refuted(
            specification.variant, specification.name, specification.mode, specification.opcode,
            name, expected, actual, width, case_of(specification, known), beside,
        )  # fmt: skip


def case_of(specification: Specification, known: dict[str, int]) -> Cases:
    """One case out of the values of the symbols."""
    case = np.zeros((), CASE)
    for name in ("pc", "a", "x", "y", "sp"):
        case[name] = known[name]
    case["p"] = 0x30 | sum(known[flag] << bit for flag, bit in FLAG_BITS.items())
    if specification.name in ENTRIES:
        case["vector"] = known["vector.high"] << 8 | known["vector.low"]
    if specification.opcode is None:
        case["event"] = EVENTS.index(specification.name)
        return case
    entry = BY_OPCODE[specification.opcode]
    code = (entry.opcode, known["b1"], known["b2"])
    case["length"] = entry.length
    case["bytes"][: entry.length] = code[: entry.length]
    if entry.access:
        case["address"] = known["b1"] | (known["b2"] << 8 if entry.length == 3 else 0)
    if entry.access in ("read", "modify"):
        case["operand"] = known["m"]
    pulls = sum(str(clock.byte).startswith("pull") for clock in specification.bus)
    case["pulled"][:pulls] = [known[f"pull{i}"] for i in range(pulls)]
    return case
