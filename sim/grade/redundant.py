"""Proofs that no one can see a fault: in every state and for every input, one clock at a time.

A fault's clock and the right one are compared over the same symbols. Where they differ only in
states that are never reached, an invariant says so: a sentence about the flip-flops that holds at
power-up and, as Z3 proves, in the clock after any in which all of them hold. Where they differ only
in what a register holds while nothing reads it, the two may differ there: Z3 proves that they then
never differ in anything else.
"""

from collections.abc import Callable, Iterable, Sequence
from typing import Any, Final, NamedTuple

import z3

from ..cases.kinds import name_of_key
from ..family.instructions import BY_OPCODE
from ..family.status_byte import LOWEST_FIRST
from ..netlist.compiled import cone
from ..prove.terms import BitTable, Wire, term_of
from ..system.errors import UnusableError
from ..witness.model import FAMILIES
from .faults import FLOP, GATE, PORT, Fault, Injector, Pin, Wires
from .reached import STEPS, on_at_power_up, opcodes_by_step

TIMEOUT: Final = 60_000  # milliseconds, for one question
NEARBY: Final = 24  # gates; most redundancy is between neighbours

#: Why no one can see a fault.
KINDS: Final = {
    "open": "leads to no output and no flip-flop",
    "redundant": "the clock is the same in every state",
    "unreachable": "differs only in states never reached",
    "unread": "a register differs, while nothing reads it",
}

#: What holds in every state that is reached.
INVARIANTS: Final = {
    "position": "the step stands behind one in a sequence",
    "opcode": "its sequence has the step",
    "branch": "goes on only if its condition holds",
    "nmi": "one that waits has been decided upon",
}

#: The steps in which a register that is not always read may still be read.
READ_IN: Final[dict[str, tuple[str, ...]]] = {
    "latch": (
        "REPEAT", "MODIFY_HOLD", "MODIFY_WRITE", "BRANCH_LOW", "BRANCH_HIGH", "POINTER_X_HIGH",
        "POINTER_Y_HIGH", "JUMP_HIGH", "INDIRECT_CARRY", "INDIRECT_WAIT", "INDIRECT_HIGH",
        "CALL_STACK", "CALL_PUSH_HIGH", "CALL_PUSH_LOW", "RETURN_HIGH", "RESUME_HIGH",
        "VECTOR_HIGH",
    ),
    "low": (
        "ABSOLUTE_HIGH", "READ", "WRITE", "MODIFY_READ", "MODIFY_HOLD", "MODIFY_WRITE",
        *(
            name for name in STEPS
            if name.startswith(("ZERO_PAGE_", "ABSOLUTE_", "POINTER_", "INDEX_", "INDIRECT_"))
            and name not in ("ABSOLUTE_LOW", "POINTER_Y")
        ),
    ),
    "control.opcode": tuple(
        name for name in STEPS
        if name not in ("FETCH", "BRANCH_LOW", "BRANCH_HIGH", "STOPPED")
        and not name.startswith(("ENTER", "VECTOR"))
    ),
}  # fmt: skip


class ProofError(UnusableError):
    """What the proofs stand on does not hold."""


class Reason(NamedTuple):
    """Why no one can see a fault: a key of `KINDS`, and which invariants or register."""

    kind: str
    names: tuple[str, ...] = ()


class _State:
    """What flip-flops hold, in terms of the solver."""

    def __init__(self, names: dict[str, tuple[int, ...]], held: Callable[[int], Wire]) -> None:
        self.names, self.held = names, held

    def bit(self, name: str, place: int = 0) -> Any:
        return term_of(self.held(self.names[name][place]))

    def at(self, name: str, values: Sequence[int] | set[int]) -> Any:
        """Whether a register holds one of the values."""
        bits = [self.bit(name, place) for place in range(len(self.names[name]))]

        def equal(value: int) -> Any:
            return z3.And(*(b if value >> i & 1 else z3.Not(b) for i, b in enumerate(bits)))

        return z3.Or(*(equal(value) for value in sorted(values)))


def invariants(variant: str, state: _State) -> dict[str, Any]:
    """The sentences of `INVARIANTS` about a state."""
    reached = opcodes_by_step(variant)
    position, opcode = "control.position", "control.opcode"
    steps = {*reached, STEPS["FETCH"], STEPS["ENTER"]}
    branches = []
    for code, instruction in BY_OPCODE.items():
        if instruction.branches:
            _, flag, value = FAMILIES[instruction.mnemonic]
            bit = state.bit("status.flags", LOWEST_FIRST.index(flag))
            branches.append(z3.Implies(state.at(opcode, {code}), bit if value else z3.Not(bit)))
    sequences = [
        z3.Implies(state.at(position, {step}), state.at(opcode, opcodes))
        for step, opcodes in reached.items()
        if len(opcodes) < 256
    ]
    goes_on = {STEPS["BRANCH_LOW"], STEPS["BRANCH_HIGH"]}
    return {
        "position": state.at(position, steps),
        "opcode": z3.And(*sequences),
        "branch": z3.Implies(state.at(position, goes_on), z3.And(*branches)),
        "nmi": z3.Implies(state.bit("interrupts.nmi_pending"), state.bit("interrupts.nmi_decided")),
    }


class _Twin(NamedTuple):
    """The netlist beside the right one, in a state that may differ where nothing reads it."""

    values: list[Wire]  # every wire, by its number
    related: Any  # what the two states have in common
    unread: dict[int, Any]  # flip-flops that may differ: whether they are read in the next clock


class FaultProver:
    """Asks Z3 about the faults of one netlist."""

    def __init__(self, injector: Injector, variant: str) -> None:
        """Raises ProofError if an invariant does not hold, or an unread register is read."""
        self.injector, netlist = injector, injector.netlist
        self._wires = Wires(netlist)
        self._table = BitTable()
        self._symbols = {w: self._symbol(f"w{w}") for w in netlist.sources}
        self._right = self._settle(self._symbols)
        self._solver = z3.SolverFor("QF_FD")
        self._solver.set("timeout", TIMEOUT)
        self._after = dict(netlist.flops)
        self._now = _State(netlist.names, lambda q: self._symbols[q])
        self._then = _State(netlist.names, lambda q: self._right[self._after[q]])
        self._assumed: dict[str, Any] = {}
        for name, term in invariants(variant, self._now).items():
            self._assumed[name] = z3.Bool(f"invariant {name}")
            self._solver.add(z3.Implies(self._assumed[name], term))
        self._prove_invariants(variant)
        ends = [*self._after.values(), *netlist.output_wires]
        self._leads = {*ends, *(w for gate in cone(netlist, ends) for w in gate.inputs)}
        self._alike = _Twin(self._right, z3.BoolVal(True), {})
        self._twins = {register: self._twin(register) for register in READ_IN}

    def reason(self, fault: Fault) -> Reason | None:
        """Why no one can see a fault; None if that is not proved."""
        if self._wires.behind(fault) not in self._leads:
            return Reason("open")
        for differs in (self._nearby(fault), self._differences(fault, self._alike)):
            needed = self._needed(z3.Or(*differs.values()))
            if needed is not None:
                return Reason("unreachable" if needed else "redundant", needed)
        for register, twin in self._twins.items():
            differs = self._differences(fault, twin)
            if not self._possible(z3.And(twin.related, z3.Or(*differs.values())), self._assumed):
                return Reason("unread", (register,))
        return None

    def example(self, fault: Fault) -> tuple[str, int]:
        """A state in which a fault shows, in words, and its opcode; "" and 0 if there is none."""
        differs = self._differences(fault, self._alike)
        model = self._model(z3.Or(*differs.values()), self._assumed)
        if model is None or model == z3.unknown:
            return "", 0

        def true(term: Any) -> bool:
            return bool(z3.is_true(model.eval(term, model_completion=True)))

        def number(name: str) -> int:
            bits = range(len(self.injector.netlist.names[name]))
            return sum(true(self._now.bit(name, i)) << i for i in bits)

        opcode, position = number("control.opcode"), number("control.position")
        step = next((name for name, value in STEPS.items() if value == position), str(position))
        where = ", ".join(name for name, term in differs.items() if true(term))
        return f"{step} of {name_of_key(opcode)}: {where}", opcode

    # The two netlists

    def _symbol(self, name: str) -> Wire:
        return self._table.symbol(name, 0)[0]

    def _settle(self, sources: dict[int, Wire]) -> list[Wire]:
        inputs = self.injector.netlist.inputs
        state = [sources[q] for q, _ in self.injector.netlist.flops]
        pins = {name: sources[wires[0]] for name, wires in inputs.items() if name != "data_in"}
        data = [sources[wire] for wire in inputs["data_in"]]
        return self.injector.settle(state, pins, data, 1)

    def _twin(self, register: str) -> _Twin:
        """The netlist with another register; without a fault no one can tell."""
        wires = self.injector.netlist.names[register]
        steps = {STEPS[name] for name in READ_IN[register]}
        read, then = (s.at("control.position", steps) for s in (self._now, self._then))
        other = {q: self._symbol(f"w{q} of the twin") for q in wires}
        same = z3.And(*(term_of(other[q]) == term_of(self._symbols[q]) for q in wires))
        values = self._settle(self._symbols | other)
        twin = _Twin(values, z3.Implies(read, same), dict.fromkeys(wires, then))
        differs = self._differences(None, twin)
        if self._possible(z3.And(twin.related, z3.Or(*differs.values())), self._assumed):
            raise ProofError(f"{register} is read in a step in which it should not be")
        return twin

    def _nearby(self, fault: Fault) -> dict[str, Any]:
        """What may differ a few gates on: if that cannot, nothing can, and it is asked sooner."""
        if fault.pin is not None and fault.pin.kind != GATE:
            return self._differences(fault, self._alike)
        now, changed, right = self._right.copy(), [], self._right
        if fault.pin is None:
            now[fault.wire] = fault.value
            changed.append(fault.wire)
        waiting = set(self.injector.follow(fault, fault.value, 1, right, now, changed, NEARBY))
        readers = self.injector.readers
        return {
            str(wire): z3.Xor(term_of(now[wire]), term_of(right[wire]))
            for wire in changed
            if readers[FLOP][wire] or readers[PORT][wire] or waiting & {*readers[GATE][wire]}
        }

    def _differences(self, fault: Fault | None, twin: _Twin) -> dict[str, Any]:
        """What may differ between the right clock and the faulty twin's, by name."""
        netlist, right, now = self.injector.netlist, self._right, twin.values.copy()
        stuck: dict[Pin | None, int] = {}
        if fault is not None:
            wire, value, pin = fault
            stuck[pin] = value
            if pin is None:
                now[wire] = value
            changed = [wire] if pin is None else []
            self.injector.follow(fault, value, 1, twin.values, now, changed)
        found: dict[str, Any] = {}

        def compare(name: str, pin: Pin, wire: int, matters: Any) -> None:
            plane = stuck.get(pin, now[wire])
            if plane != right[wire]:
                found[name] = z3.And(z3.Xor(term_of(plane), term_of(right[wire])), matters)

        always = z3.BoolVal(True)
        # What is on the data bus is looked at where it is written.
        looked_at = {"data_out": term_of(right[netlist.outputs["write"][0]])}
        bits = (
            (name, i, w) for name, wires in netlist.outputs.items() for i, w in enumerate(wires)
        )
        for number, (name, place, wire) in enumerate(bits):
            compare(f"{name}[{place}]", Pin(PORT, number), wire, looked_at.get(name, always))
        for number, (q, d) in enumerate(netlist.flops):
            compare(self._wires.call(q), Pin(FLOP, number), d, twin.unread.get(q, always))
        return found

    # The solver

    def _model(self, term: Any, assumed: Iterable[str] = ()) -> Any:
        """A state and inputs with invariants assumed by name; None if there are none such.

        Where the solver gives up, there may be.
        """
        self._solver.push()
        try:
            self._solver.add(term)
            answer = self._solver.check(*(self._assumed[name] for name in assumed))
            if answer == z3.unsat:
                return None
            return self._solver.model() if answer == z3.sat else z3.unknown
        finally:
            self._solver.pop()

    def _possible(self, term: Any, assumed: Iterable[str] = ()) -> bool:
        return self._model(term, assumed) is not None

    def _needed(self, term: Any) -> tuple[str, ...] | None:
        """The invariants without which the term may hold; None if it may with all of them."""
        solver = self._solver
        solver.push()
        try:
            solver.add(term)
            if solver.check(*self._assumed.values()) != z3.unsat:
                return None
            core = {str(literal) for literal in solver.unsat_core()}
            needed = {n: literal for n, literal in self._assumed.items() if str(literal) in core}
            for name in tuple(needed):
                fewer = {other: literal for other, literal in needed.items() if other != name}
                if solver.check(*fewer.values()) == z3.unsat:
                    needed = fewer
            return tuple(needed)
        finally:
            solver.pop()

    def _prove_invariants(self, variant: str) -> None:
        """At power-up, and after any clock in which all of them hold."""
        on = on_at_power_up(self.injector.netlist.names)
        begin = [term_of(self._symbols[q] ^ int(q not in on)) for q in self._after]
        holds, stays = invariants(variant, self._now), invariants(variant, self._then)
        for name in self._assumed:
            if self._possible(z3.And(*begin, z3.Not(holds[name]))):
                raise ProofError(f"invariant {name!r} does not hold at power-up")
            if self._possible(z3.Not(stays[name]), self._assumed):
                raise ProofError(f"invariant {name!r} does not stay")
