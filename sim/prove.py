"""Proof: the netlist does what the specification says, in every state there is.

One clock of the netlist is the same function that evaluates cases, given symbols for wires. The
opcode is a number, so control folds away and what is left is the datapath, clock by clock; where a
sequence can go on in several ways, each is followed by itself. Z3 then looks for a state in which a
register, flag, address or byte differs from its term of the specification.

An instruction starts with every register, flag, byte and latch unknown, and what it leaves is
proved to be a start again: of an instruction, or of the entry that the pins ask for. Reset is
proved from any state at all. So what is proved holds of any program.
"""

from __future__ import annotations

import time
from collections.abc import Callable, Collection, Iterator, Sequence
from contextlib import suppress
from dataclasses import dataclass, field
from typing import IO, TYPE_CHECKING, Any, Final

import numpy as np
import z3

from .cases import CASE, FLAG_BITS, Cases
from .compare import plain
from .equivalence import Equivalence, equivalence, optimised_netlist
from .evaluate import compile_clock
from .isa import BY_MNEMONIC, BY_OPCODE, EVENTS, VARIANTS
from .netlist import Netlist, NetlistError, built_as, drawn_netlist
from .specification import ENTRIES, LONGEST, PRELUDE, SYMBOLS, Specification, specify
from .terms import Query, Table, UnknownError, Wire, constant, term_of, vector_of

if TYPE_CHECKING:
    from rich.console import Console

__all__ = [
    "ROWS",
    "Machine",
    "Proof",
    "ProofReport",
    "Prover",
    "Refuted",
    "describe",
    "draw_proof",
    "proof_size",
    "prove",
    "write_waveform",
]

#: What there is a row for: the mnemonics, then the entries.
ROWS: Final = (*BY_MNEMONIC, *EVENTS[1:])

CONTROL: Final = ("control.position", "control.clock_number", "interrupts.cause")
OUTPUTS: Final = ("address", "data_out", "write", "sync", "stopped", "clock_number")
# The flip-flops, and the symbols for what is in them before.
STATE: Final = {
    "pc": "pc", "register_a": "a", "register_x": "x", "register_y": "y", "stack.pointer": "sp",
    **{f"status.flags.{flag}": flag for flag in "nvdizc"},
    **{
        f"interrupts.{name}": name
        for name in ("nmi_before", "nmi_pending", "nmi_decided", "irq_decided")
    },
    # what an earlier sequence left there, which must not matter
    **{name: name for name in ("low", "high", "latch", "control.opcode")},
    **{name: name for name in CONTROL},
}  # fmt: skip
PINS: Final = {"irq_n": 1, "nmi_n": 1, "reset_n": 1}
TOLD: Final = ("clock_number", "write", "sync", "stopped")
NOP: Final = 0xEA
DISCARDED: Final = 0x5A  # what the gates witness puts on the bus where nothing is read
PATHS: Final = 8  # a sequence with more of them is not proved; four are the most there should be
TIMEOUT: Final = 60.0
DECLARED: Final = {
    name: z3.BitVec(name, width) if width else z3.Bool(name) for name, width in SYMBOLS.items()
}


class Machine:
    """A netlist: one clock of it as a function, and the control states that sequences start in."""

    def __init__(self, netlist: Netlist) -> None:
        self.netlist = netlist
        late = [wire for name in OUTPUTS for wire in netlist.outputs[name]]
        self.clock = compile_clock(netlist, netlist.outputs["sync"], late)
        place = {q: i for i, (q, _) in enumerate(netlist.flops)}
        self.flops = {name: [place[wire] for wire in netlist.names[name]] for name in STATE}
        if len({i for places in self.flops.values() for i in places}) != len(place):
            raise NetlistError("the netlist has a flip-flop that no proof knows")
        self.control = [i for name in CONTROL for i in self.flops[name]]
        self.steering = [*self.control, *self.flops["control.opcode"]]
        self.starts = {event: self._start(event) for event in EVENTS}

    def _start(self, event: str) -> list[Wire]:
        """Control in the first clock: all 0 for an instruction, else as a NOP leaves it.

        That sequences do end in these states is proved, reset first.
        """
        state: list[Wire] = [0] * len(self.netlist.flops)
        state[self.flops["interrupts.nmi_before"][0]] = 1
        for clock in range(2 if event != "instruction" else 0):
            pins = PINS | ({} if event == "RESET" else {f"{event.lower()}_n": 0})
            if event == "RESET" and clock:
                pins = PINS | {"reset_n": 0}
            state, _ = self.finish(self.begin(state, pins)[0], constant(NOP, 8))
        return [state[i] for i in self.control]

    def begin(self, state: Sequence[Wire], pins: dict[str, Wire]) -> tuple[Any, Wire]:
        """A clock that memory has not answered yet, and its `sync`."""
        inputs = [pins[name] for name in self.netlist.inputs if name != "data_in"]
        clock = self.clock(state, inputs, 1)
        return clock, next(clock)[0]

    def finish(self, clock: Any, data: Sequence[Wire]) -> tuple[list[Wire], dict[str, list[Wire]]]:
        """The next state, and the outputs."""
        try:
            clock.send(data)
        except StopIteration as stop:
            state, late = stop.value
        outputs, at = {}, 0
        for name in OUTPUTS:
            end = at + len(self.netlist.outputs[name])
            outputs[name], at = list(late[at:end]), end
        return list(state), outputs

    def symbols(self, table: Table, control: Sequence[Wire] | None) -> list[Wire]:
        """A state of symbols, all but control if that is given."""
        state: list[Wire] = [0] * len(self.netlist.flops)
        for name, symbol in STATE.items():
            places = self.flops[name]
            bits = table.symbol(symbol, len(places) if len(places) > 1 else 0)
            for i, bit in zip(places, bits, strict=True):
                state[i] = bit
        for i, wire in zip(self.control, control or [], strict=control is not None):
            state[i] = wire
        return state


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


# All opcodes


@dataclass
class Share:
    """What was found out about the opcodes of one mnemonic, or about one entry."""

    proofs: list[Proof] = field(default_factory=list)

    @property
    def opcodes(self) -> list[int]:
        """None for an entry."""
        return [proof.opcode for proof in self.proofs if proof.opcode is not None]

    @property
    def properties(self) -> int:
        """How many there are."""
        return sum(proof.properties for proof in self.proofs)

    @property
    def refuted(self) -> list[Refuted]:
        """Those that do not hold."""
        return [refuted for proof in self.proofs for refuted in proof.refuted]

    @property
    def unproved(self) -> int:
        """How many the solver gave up."""
        return sum(len(proof.unproved) for proof in self.proofs)

    @property
    def seconds(self) -> float:
        """How long it took."""
        return sum(proof.seconds for proof in self.proofs)

    @property
    def agree(self) -> bool:
        """True if each opcode has properties, and all are proved."""
        done = all(proof.properties for proof in self.proofs)
        return bool(self.proofs) and done and not self.refuted and not self.unproved


@dataclass
class VariantProof:
    """One variant, a share for each row."""

    variant: str
    shares: dict[str, Share]
    equivalence: Equivalence
    seconds: float

    @property
    def agree(self) -> bool:
        """True if there was something to prove in every row, and all of it is proved."""
        rows = [share.agree for share in self.shares.values()]
        return bool(rows) and all(rows) and self.equivalence.agree

    @property
    def total(self) -> Share:
        """All rows as one."""
        return Share([proof for share in self.shares.values() for proof in share.proofs])

    def to_json(self) -> dict[str, Any]:
        """Plain values."""
        return {
            "agree": self.agree,
            "properties": self.total.properties,
            "seconds": round(self.seconds, 3),
            "instructions": {
                name: {
                    "opcodes": share.opcodes,
                    "properties": share.properties,
                    "refuted": len(share.refuted),
                    "unproved": share.unproved,
                }
                for name, share in self.shares.items()
            },
            "equivalence": self.equivalence.to_json(),
        }


@dataclass
class ProofReport:
    """What was proved, by variant; `adder` is the form of the ALU's."""

    variants: dict[str, VariantProof]
    adder: str = "ripple"

    @property
    def agree(self) -> bool:
        """True if something was proved of every variant, and nothing was not."""
        return bool(self.variants) and all(one.agree for one in self.variants.values())

    @property
    def first(self) -> Refuted | None:
        """The first property that does not hold."""
        return next((r for one in self.variants.values() for r in one.total.refuted), None)

    def to_json(self) -> dict[str, Any]:
        """Plain values."""
        return {
            "agree": self.agree,
            "adder": self.adder,
            "variants": {name: one.to_json() for name, one in self.variants.items()},
            "first": self.first and self.first.to_json(),
        }


def proof_size(variant: str = "all", names: Collection[str] = ()) -> int:
    """How many opcodes and entries there are to do; an optimised netlist counts as one more."""
    variants = VARIANTS if variant == "all" else (variant,)
    each = sum(len(forms(name)) for name in ROWS if not names or name in names)
    return len(variants) * (each + 1)


def forms(name: str) -> list[str]:
    """The modes of a mnemonic; an entry has the mode ""."""
    return list(BY_MNEMONIC.get(name, ("",)))


def prove(
    variant: str = "all",
    names: Collection[str] = (),
    progress: Callable[[int], object] | None = None,
    *,
    netlist: Netlist | None = None,
    optimised: Netlist | None = None,
    specification: Callable[[str, str, str], Specification] = specify,
    timeout: float = TIMEOUT,
    adder: str = "ripple",
) -> ProofReport:
    """Proves the rows named, or all of `ROWS`, and that the optimised netlist is the drawn one.

    `variant` may be "all", and `adder` is the form of the ALU's. `netlist` and `optimised` stand in
    for the variant's own, and `specification` for the one that is. `progress` is told what is done
    of `proof_size`. `timeout` is in seconds, for one question to the solver; one that takes longer
    is left unproved. Raises NetlistError if a netlist cannot be made, ValueError for an unknown
    row, variant or adder.
    """
    for name in names:
        if name not in ROWS:
            raise ValueError(f"row {name!r}: expected a mnemonic, IRQ, NMI or RESET")
    if variant not in (*VARIANTS, "all"):
        raise ValueError(f"variant {variant!r}: expected one of {', '.join(VARIANTS)}, all")
    report, done = ProofReport({}, adder), 0
    for one in VARIANTS if variant == "all" else (variant,):
        began = time.perf_counter()
        drawn = netlist or drawn_netlist(one, adder)
        machine = Machine(drawn)
        shares = {}
        for name in ROWS:
            if not names or name in names:
                shares[name] = Share()
                for mode in forms(name):
                    prover = Prover(machine, specification(name, mode, one), timeout)
                    shares[name].proofs.append(prover.prove())
                    done += 1
                    if progress is not None:
                        progress(done)
        equal = equivalence(drawn, optimised or optimised_netlist(one, adder), timeout)
        seconds = time.perf_counter() - began
        report.variants[one] = VariantProof(one, shares, equal, seconds)
        done += 1
    return report


def write_waveform(refuted: Refuted, file: IO[str], adder: str = "ripple") -> None:
    """Writes what the RTL does in the state that refutes a property.

    Where it is the netlist that was altered, the waveform shows the RTL as it should be.
    """
    from carrywave.waves.dump import Dump

    from .clocked import Clocked

    with Dump(file, refuted.variant) as dump:
        Clocked(refuted.variant, dump, adder).execute(refuted.case)


# The report


def draw_proof(report: ProofReport, console: Console) -> None:
    """A table of all rows, and the first property that does not hold, in full."""
    from rich.table import Table as Grid
    from rich.text import Text

    variants = list(report.variants.values())
    grid = Grid(box=None, padding=(0, 2, 0, 0), pad_edge=False, header_style="bold")
    for heading in ("instruction", "opcodes"):
        grid.add_column(heading, no_wrap=True, vertical="bottom")
    open_too = any(one.total.unproved for one in variants)
    headings = ["properties", "refuted", *(["unproved"] * open_too), "seconds"]
    if len(variants) > 1:
        headings = [f"{one.variant}\nproved" for one in variants]
    for heading in headings:
        grid.add_column(heading, justify="right", no_wrap=True, vertical="bottom")

    def cells(share: Share) -> list[Text]:
        counts = [len(share.refuted), *([share.unproved] * open_too)]
        if len(variants) > 1:
            proved = share.properties - sum(counts)
            whole = share.properties and proved == share.properties
            return [Text(f"{proved:,} of {share.properties:,}", "" if whole else "bold red")]
        return [
            Text(f"{share.properties:,}", "" if share.properties else "bold red"),
            *(Text(f"{count:,}", "bold red" if count else "") for count in counts),
            Text(f"{share.seconds:.1f}"),
        ]

    for name, share in variants[0].shares.items():
        opcodes = " ".join(f"{opcode:02X}" for opcode in share.opcodes)
        grid.add_row(name, opcodes, *(c for one in variants for c in cells(one.shares[name])))
    grid.add_section()
    count = len(variants[0].total.opcodes)
    grid.add_row(
        "all", str(count), *(c for one in variants for c in cells(one.total)), style="bold"
    )
    console.print(grid)
    console.print()
    for one in variants:
        total, same, built = one.total, one.equivalence, built_as(one.variant, report.adder)
        proved = total.properties - len(total.refuted) - total.unproved
        console.print(Text(
            f"{built}: {proved:,} of {total.properties:,} properties proved for all states, "
            f"{one.seconds:.1f} s"
        ))  # fmt: skip
        console.print(Text(
            f"{built}: optimised netlist, {same.gates[1]:,} gates for {same.gates[0]:,}: "
            f"{same.equal} of {same.outputs} outputs and next values proved equal"
        ))  # fmt: skip
        if same.different:
            console.print(Text(f"  different: {', '.join(same.different)}", "bold red"))
    if report.first is not None:
        console.print(Text("\n" + describe(report.first, report.adder)))


def describe(refuted: Refuted, adder: str = "ripple") -> str:
    """The instruction, the property, the state, and how to see it."""
    case = refuted.case
    digits = max(1, (refuted.width + 3) // 4)
    expected, actual = (f"{value:0{digits}X}" for value in (refuted.expected, refuted.actual))
    code = " ".join(f"{byte:02X}" for byte in case["bytes"][: case["length"]])
    what = f"{code} " if code else ""
    flags = "".join(f.upper() if case["p"] >> bit & 1 else f for f, bit in FLAG_BITS.items())
    state = " ".join(f"{name.upper()} {int(case[name]):02X}" for name in ("a", "x", "y", "sp", "p"))
    lines = [
        f"Refuted: {refuted.name}{' ' * bool(refuted.mode)}{refuted.mode}, {refuted.variant}: "
        f"{refuted.field} is {actual} and should be {expected}",
        f"  {what}at {int(case['pc']):04X}; {state} ({flags})",
    ]
    entry = None if refuted.opcode is None else BY_OPCODE[refuted.opcode]
    facts = []
    if entry and entry.access in ("read", "modify"):
        facts.append(f"operand {int(case['operand']):02X} at {int(case['address']):04X}")
    if refuted.name in ("PLA", "PLP", "RTS", "RTI"):
        facts.append(f"above SP {' '.join(f'{byte:02X}' for byte in case['pulled'])}")
    if refuted.name in ENTRIES:
        facts.append(f"vector {int(case['vector']):04X}")
    facts += [f"{name} {value:X}" for name, value in refuted.beside.items()]
    if facts:
        lines.append(f"  {'; '.join(facts)}")
    chosen = "" if adder == "ripple" else f" --adder {adder}"
    lines.append(
        f"  carrywave prove {refuted.name} --variant {refuted.variant}{chosen} --vcd FILE.vcd "
        "writes what the hardware does there"
    )
    return "\n".join(lines)
