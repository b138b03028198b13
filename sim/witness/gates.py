"""The gates witness: the netlist, all cases at once."""

from __future__ import annotations

from dataclasses import dataclass, field
from functools import lru_cache
from typing import Any, Final

import numpy as np
import numpy.typing as npt

from ..cases.layout import OUTCOME, Cases, Outcomes, unnamed
from ..family.instructions import BY_OPCODE, EVENTS, bus_activity
from ..family.status import FLAG_BITS
from ..netlist.compiled import Clock, compile_clock, compile_wires
from ..netlist.planes import pack, unpack
from ..netlist.synthesis import Netlist, drawn_netlist

__all__ = ["Gates", "Unit"]

LONGEST: Final = 8
BATCH: Final = 1 << 16  # rows at a time: the live wires stay in the processor's cache
NOP: Final = 0xEA
DISCARDED: Final = 0x5A  # no byte of any case
EARLY: Final = ("address", "write", "sync", "stopped", "clock_number")
REGISTERS: Final = {
    "pc": "pc", "register_a": "a", "register_x": "x", "register_y": "y", "stack.pointer": "sp",
}  # fmt: skip
Planes = list[int]


class Unit:
    """A netlist ready to run: its clock as a function, and where each register's flip-flops are."""

    def __init__(self, netlist: Netlist) -> None:
        self.netlist = netlist
        self.early = [wire for name in EARLY for wire in netlist.outputs[name]]
        self.clock: Clock = compile_clock(netlist, self.early, netlist.outputs["data_out"])
        place = {q: i for i, (q, _) in enumerate(netlist.flops)}
        self.flops = {
            name: [place[wire] for wire in wires]
            for name, wires in netlist.names.items()
            if wires and all(wire in place for wire in wires)
        }
        sources = [q for q, _ in netlist.flops]
        self.sync = compile_wires(netlist, netlist.outputs["sync"], sources)
        self.inputs = [name for name in netlist.inputs if name != "data_in"]

    def __reduce__(self) -> tuple[type[Unit], tuple[Netlist]]:
        """What is compiled goes to no other process: it is compiled again there, in 20 ms."""
        return Unit, (self.netlist,)

    def value(self, state: list[Any], name: str) -> list[Any]:
        """The planes of a register, lowest bit first."""
        return [state[i] for i in self.flops[name]]


@lru_cache(maxsize=4)
def drawn_unit(variant: str, adder: str) -> Unit:
    """The unit of a variant with an adder, compiled once."""
    return Unit(drawn_netlist(variant, adder))


@dataclass(slots=True)
class Answer:
    """What memory holds for one clock: a byte at one address, its complement everywhere else."""

    byte: Planes
    address: Planes | None  # None: the byte is discarded, and lies everywhere
    claimed: Planes | None  # the address that the published activity shows
    write: bool = False
    written: Planes | None = None  # what is written, where no outcome tells


@dataclass(slots=True)
class Result:
    """Planes of an outcome."""

    registers: dict[str, Planes]
    cycles: Planes
    pushes: Planes
    pushed: list[Planes] = field(default_factory=list)
    push_address: list[Planes] = field(default_factory=list)
    stores: int = 0
    stored: Planes = field(default_factory=list)
    off_bus: int = 0  # cases whose bus activity is not the published one


class Gates:
    """The witness that evaluates the netlist.

    `netlist` is the variant's own by default, with the `adder` that is named. `off_bus` counts,
    over all that was executed, the cases in which the bus, clock by clock, did not show the
    published activity; `off_bus_rows` marks them in the last batch executed.
    """

    def __init__(
        self, variant: str = "nmos", netlist: Netlist | None = None, adder: str = "ripple"
    ) -> None:
        """Raises NetlistError if the netlist cannot be made."""
        self.variant = variant
        self.unit = drawn_unit(variant, adder) if netlist is None else Unit(netlist)
        self.off_bus = 0
        self.off_bus_rows = np.zeros(0, bool)

    def execute(self, cases: Cases) -> Outcomes:
        """Answers each case. Raises ValueError if one has an opcode outside the documented set."""
        cases = np.asarray(cases)
        flat = cases.reshape(-1)
        outcomes = np.zeros(flat.shape, OUTCOME)
        self.off_bus_rows = np.zeros(flat.shape, bool)
        event = flat["event"].astype(np.uint16)
        masked = (event == 1) & (flat["p"] & 4 > 0)
        key = np.where((event == 0) | masked, flat["bytes"][:, 0], 0) | event << 9
        key |= masked.astype(np.uint16) << 8
        values = np.flatnonzero(np.bincount(key, minlength=1)).tolist()
        for value in values:
            kind = EVENTS[value >> 9], bool(value >> 8 & 1), value & 255
            if len(values) == 1:
                self._execute_alike(flat, *kind, outcomes, self.off_bus_rows)
                continue
            rows = np.flatnonzero(key == value)
            block, off_bus = np.zeros(rows.shape, OUTCOME), np.zeros(rows.shape, bool)
            self._execute_alike(flat.take(rows), *kind, block, off_bus)
            unnamed(outcomes)[rows], self.off_bus_rows[rows] = unnamed(block), off_bus
        self.off_bus += int(np.count_nonzero(self.off_bus_rows))
        return outcomes.reshape(cases.shape)

    def _execute_alike(
        self, cases: Cases, event: str, masked: bool, opcode: int,
        outcomes: Outcomes, off_bus: npt.NDArray[np.bool_],
    ) -> None:  # fmt: skip
        """Answers cases of one opcode, or of one event, into arrays of zeros."""
        name, mode, stores = event, "", False
        if event == "instruction" or masked:
            if opcode not in BY_OPCODE:
                raise ValueError(f"opcode {opcode:02X} is not in the documented set")
            entry = BY_OPCODE[opcode]
            name, mode, stores = entry.mnemonic, entry.mode, entry.access in ("write", "modify")
        for start in range(0, len(cases), BATCH):
            part = slice(start, start + BATCH)
            result = self._result(cases[part], event, name, mode, stores)
            _fill(outcomes[part], result)
            off_bus[part] = unpack([result.off_bus], len(off_bus[part]), np.uint8).view(bool)

    def _result(self, cases: Cases, event: str, name: str, mode: str, stores: bool) -> Result:
        """Runs cases through the published clocks of `name`, after an event's beginning."""
        ones = (1 << len(cases)) - 1
        answers = _Memory(name, mode, self.variant, cases, ones).answers()
        state = self._load(cases, ones, ahead=event != "instruction")
        pins = dict.fromkeys(("irq_n", "nmi_n", "reset_n"), ones)
        if event != "instruction":
            # An interrupt is decided during the instruction before it: a NOP that no case sees.
            pins |= {"IRQ": {"irq_n": 0}, "NMI": {"nmi_n": 0}}.get(event, {})
            data = [ones * (NOP >> bit & 1) for bit in range(8)]
            state, _, _ = self._clock(state, pins, ones, data)
            last = pins | ({"reset_n": 0} if event == "RESET" else {})
            state, _, _ = self._clock(state, last, ones, data)
        operand_address = pack(cases["address"], 16) if stores else None
        return self._run(state, pins, ones, answers, operand_address)

    def _load(self, cases: Cases, ones: int, *, ahead: bool) -> list[int]:
        """Flip-flops for the first clock of each case or, `ahead`, of the instruction before it."""
        unit = self.unit
        state = [0] * len(unit.netlist.flops)
        pc = cases["pc"] - np.uint16(ahead)
        columns = {"pc": (pc, 16), "stack.pointer": (cases["sp"], 8)}
        columns |= {f"register_{name}": (cases[name], 8) for name in ("a", "x", "y")}
        # What a sequence must not heed: what an earlier one left there.
        columns |= {"low": (cases["y"], 8), "high": (cases["x"], 8), "latch": (cases["a"], 8)}
        for name, (column, width) in columns.items():
            for i, plane in zip(unit.flops[name], pack(column, width), strict=True):
                state[i] = plane
        status = pack(cases["p"], 8)
        for i, flag in zip(unit.flops["status.flags"], "czidvn", strict=True):
            state[i] = status[FLAG_BITS[flag]]
        for i, plane in zip(unit.flops["control.opcode"], pack(~cases["sp"], 8), strict=True):
            state[i] = plane
        state[unit.flops["interrupts.nmi_before"][0]] = ones
        return state

    def _clock(
        self, state: list[int], pins: dict[str, int], ones: int, data: Planes
    ) -> tuple[list[int], tuple[int, ...], tuple[int, ...]]:
        """One clock with a known data bus."""
        clock = self.unit.clock(state, [pins[name] for name in self.unit.inputs], ones)
        early = next(clock)
        try:
            clock.send(data)
        except StopIteration as stop:
            after, late = stop.value
            return list(after), early, late
        raise AssertionError("a clock has one bus cycle")

    def _run(
        self, state: list[int], pins: dict[str, int], ones: int, answers: list[Answer],
        operand_address: Planes | None,
    ) -> Result:  # fmt: skip
        """Runs the sequences until each has ended, and keeps what each left."""
        unit = self.unit
        names = (*REGISTERS, "status.flags")
        recorder = _Recorder(operand_address)
        kept: dict[str, Planes] = {}
        cycles = [0] * 4
        alive, off_bus = ones, 0
        inputs = [pins[name] for name in unit.inputs]
        for k in range(LONGEST + 1):
            if k:
                done = unit.sync(state, ones)[0] & alive
                if done:
                    for name in names:
                        values = unit.value(state, name)
                        kept[name] = (
                            values if done == ones
                            else merge(kept.get(name) or [0] * len(values), values, done)
                        )  # fmt: skip
                    cycles = merge(cycles, [ones * (k >> bit & 1) for bit in range(4)], done)
                    alive ^= done
            if not alive or k == LONGEST:
                break
            clock = unit.clock(state, inputs, ones)
            early = next(clock)
            address, (write, sync, stopped) = early[:16], early[16:19]
            answer = answers[min(k, len(answers) - 1)]
            wrong = differ(address, answer.address) if answer.address else 0
            try:
                clock.send([plane ^ wrong for plane in answer.byte])
            except StopIteration as stop:
                state, data = stop.value
            off = stopped | (write ^ (ones if answer.write else 0)) | (sync ^ (0 if k else ones))
            off |= differ(early[19:], [ones * (k >> bit & 1) for bit in range(3)])
            if answer.claimed:
                off |= differ(address, answer.claimed)
            if answer.written:
                off |= differ(data, answer.written)
            off_bus |= off & alive
            if write & alive:
                recorder.write(address, data, write & alive, ones)
        return recorder.result(kept, cycles, off_bus | alive)


def differ(left: Any, right: Any) -> int:
    """The cases in which two numbers differ."""
    result = 0
    for a, b in zip(left, right, strict=True):
        result |= a ^ b
    return result


def merge(old: Planes, new: Planes, chosen: int) -> Planes:
    """`new` in the chosen cases, `old` in the others."""
    return [a ^ ((a ^ b) & chosen) for a, b in zip(old, new, strict=True)]


class _Recorder:
    """Sorts writes: to the operand's address a store, anything else a push."""

    def __init__(self, operand_address: Planes | None) -> None:
        self.operand_address = operand_address
        self.stores, self.stored = 0, [0] * 8
        self.count = [0, 0, 0]
        self.pushed = [[0] * 8 for _ in range(3)]
        self.push_address = [[0] * 16 for _ in range(3)]

    def write(self, address: Planes, data: Planes, rows: int, ones: int) -> None:
        """Notes one write of the given cases."""
        if self.operand_address is not None:
            store = rows & (ones ^ differ(address, self.operand_address))
            self.stores |= store
            self.stored = merge(self.stored, data, store)
            rows ^= store
        c0, c1, c2 = self.count
        for slot in range(3):
            wanted = (c0 if slot & 1 else ones ^ c0) & (c1 if slot & 2 else ones ^ c1)
            chosen = rows & wanted & (ones ^ c2)
            if chosen:
                self.pushed[slot] = merge(self.pushed[slot], data, chosen)
                self.push_address[slot] = merge(self.push_address[slot], address, chosen)
        carry = rows & c0
        self.count = [c0 ^ rows, c1 ^ carry, c2 | (carry & c1)]

    def result(self, registers: dict[str, Planes], cycles: Planes, off_bus: int) -> Result:
        """All that was noted."""
        return Result(
            registers, cycles, self.count, self.pushed, self.push_address,
            self.stores, self.stored, off_bus,
        )  # fmt: skip


class _Memory:
    """What memory answers in each clock, by the published bus activity."""

    def __init__(self, name: str, mode: str, variant: str, cases: Cases, ones: int) -> None:
        self.name, self.mode, self.variant, self.cases, self.ones = name, mode, variant, cases, ones
        self.addresses: dict[str, Planes] = {}

    def answers(self) -> list[Answer]:
        """One a clock; the last stands for any that a sequence should not have."""
        code = pulls = 0
        result = []
        cases, name = self.cases, self.name
        for kind, place, byte in bus_activity(name, self.mode):
            at = self.address(place, code)
            if byte == "op":
                byte_is, code = self.constant(int(cases["bytes"][0, 0]), 8), 1
            elif place == "n" and byte != "d":
                byte_is, code = pack(cases["bytes"][:, code], 8), code + 1
            elif kind == "R" and place in ("FA", "FC", "FE"):
                byte_is = pack((cases["vector"] & 255).astype(np.uint8), 8)
            elif kind == "R" and place in ("FB", "FD", "FF"):
                byte_is = pack((cases["vector"] >> 8).astype(np.uint8), 8)
            elif place == "ea" and byte == "value":
                byte_is = pack(cases["operand"], 8)
            elif kind == "R" and place.startswith("s+"):
                byte_is, pulls = pack(cases["pulled"][:, pulls], 8), pulls + 1
            else:
                byte_is = self.constant(DISCARDED, 8)
            discarded = byte == "d" or kind == "W"
            first_write = kind == "W" and byte == "value"
            result.append(Answer(
                byte_is, None if discarded else at, at,
                write=kind == "W" and not (first_write and self.variant == "cmos"),
                written=byte_is if first_write and self.variant != "cmos" else None,
            ))  # fmt: skip
        return [*result, *self.more(code)]

    def more(self, code: int) -> list[Answer]:
        """The clocks that a branch or decimal mode adds."""
        nothing = self.constant(DISCARDED, 8)
        if self.mode == "relative":
            following = self.cases["pc"] + np.uint16(2)
            offset = self.cases["bytes"][:, 1].astype(np.int8).astype(np.uint16)
            old_page = (following & 0xFF00) | ((following + offset) & 0x00FF)
            return [Answer(nothing, None, pack(column, 16)) for column in (following, old_page)]
        return [Answer(nothing, None, None)]

    def constant(self, value: int, width: int) -> Planes:
        """The same number in every case."""
        return [self.ones if value >> bit & 1 else 0 for bit in range(width)]

    def address(self, place: str, code: int) -> Planes:
        """The planes of a place of the published table."""
        key = f"{place}{code}" if place == "n" else place
        if key not in self.addresses:
            cases = self.cases
            if place in ("pc", "n"):
                column = cases["pc"] + np.uint16(max(code, 1) if place == "n" else 0)
            elif place == "ea":
                column = cases["address"]
            elif place == "pulled":
                column = cases["pulled"][:, 0] | cases["pulled"][:, 1].astype(np.uint16) << 8
            elif place[0] == "s":
                moved = cases["sp"] + np.uint8(int(place[1:] or 0) % 256)
                column = moved.astype(np.uint16) | np.uint16(256)
            else:
                self.addresses[key] = self.constant(0xFF00 | int(place, 16), 16)
                return self.addresses[key]
            self.addresses[key] = pack(column, 16)
        return self.addresses[key]


def _fill(outcomes: Outcomes, result: Result) -> None:
    """Outcomes, all 0 before, from their planes."""

    def column(planes: Planes, like: npt.NDArray[Any]) -> npt.NDArray[Any]:
        return unpack(planes, len(outcomes), like.dtype)

    for name, planes in result.registers.items():
        if name == "status.flags":
            flags = dict(zip("czidvn", planes, strict=True))
            ordered = [flags["c"], flags["z"], flags["i"], flags["d"], 0, 0, flags["v"], flags["n"]]
            outcomes["p"] = column(ordered, outcomes["p"]) | 0x30
        else:
            register = outcomes[REGISTERS[name]]
            register[:] = column(planes, register)
    for name, planes in (
        ("cycles", result.cycles), ("pushes", result.pushes),
        ("stores", [result.stores]), ("stored", result.stored),
    ):  # fmt: skip
        if any(planes):
            outcomes[name] = column(planes, outcomes[name])
    for slot in range(3):
        for name, planes in (
            ("pushed", result.pushed[slot]), ("push_address", result.push_address[slot])
        ):  # fmt: skip
            if any(planes):
                outcomes[name][:, slot] = column(planes, outcomes[name])
