"""The gates witness: the netlist, all cases at once."""

from __future__ import annotations

from collections.abc import Iterator
from functools import lru_cache
from itertools import pairwise
from typing import Any, Final

import numpy as np
import numpy.typing as npt

from ..cases.kinds import BY_KEY, alike, keys_of
from ..cases.layout import OUTCOME, WRITES, Cases, Outcomes, unnamed
from ..family.instructions import standing
from ..family.members import EVENTS
from ..family.status_byte import ALWAYS, FLAG_BITS, LOWEST_FIRST
from ..netlist.compiled import ClockFunction, compile_clock, compile_wires, pack, unpack
from ..netlist.synthesis import FLOPS, Netlist, drawn_netlist
from .answers import Answer, Place, Planes, answers, merge

LONGEST: Final = 8
BATCH: Final = 1 << 16  # rows at a time: the live wires stay in the processor's cache
NOP: Final = 0xEA
EARLY: Final = ("address", "write", "sync", "stopped", "clock_number")
REGISTERS: Final = {
    "pc": "pc", "register_a": "a", "register_x": "x", "register_y": "y", "stack.pointer": "sp",
}  # fmt: skip


class GateUnit:
    """A netlist ready to run: its clock as a function, and where each register's flip-flops are."""

    def __init__(self, netlist: Netlist) -> None:
        """Raises NetlistError if its flip-flops are not `FLOPS`, or memory waits for itself."""
        self.netlist = netlist
        netlist.registers(FLOPS)
        self.early = [wire for name in EARLY for wire in netlist.outputs[name]]
        self.clock: ClockFunction = compile_clock(netlist, self.early, netlist.outputs["data_out"])
        place = {q: i for i, (q, _) in enumerate(netlist.flops)}
        self.flops = {
            name: [place[wire] for wire in wires]
            for name, wires in netlist.names.items()
            if wires and all(wire in place for wire in wires)
        }
        sources = [q for q, _ in netlist.flops]
        self.sync = compile_wires(netlist, netlist.outputs["sync"], sources)
        self.inputs = [name for name in netlist.inputs if name != "data_in"]

    def __reduce__(self) -> tuple[type[GateUnit], tuple[Netlist]]:
        """What is compiled goes to no other process: it is compiled again there, in 20 ms."""
        return GateUnit, (self.netlist,)

    def value(self, state: list[Any], name: str) -> list[Any]:
        """The planes of a register, lowest bit first."""
        return [state[i] for i in self.flops[name]]


@lru_cache(maxsize=4)
def drawn_unit(variant: str, adder: str) -> GateUnit:
    """The unit of a variant with an adder, compiled once."""
    return GateUnit(drawn_netlist(variant, adder))


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
        self.unit = drawn_unit(variant, adder) if netlist is None else GateUnit(netlist)
        self.off_bus = 0
        self.off_bus_rows = np.zeros(0, bool)

    def execute(self, cases: Cases) -> Outcomes:
        """Answers each case. Raises ValueError if one has an opcode that is not built."""
        cases = np.asarray(cases)
        flat = cases.reshape(-1)
        outcomes = np.zeros(flat.shape, OUTCOME)
        self.off_bus_rows = np.zeros(flat.shape, bool)
        keys = keys_of(flat)
        for key in np.flatnonzero(np.bincount(keys)).tolist():
            if key not in BY_KEY:
                raise ValueError(f"opcode {key:02X}: {standing(key, self.variant)}")
        # A masked IRQ is another run of its instruction: the pin is low.
        for event, rows in alike(np.where(keys < 256, flat["event"], keys >> 8)):
            if len(rows) == len(flat) and keys.min() == keys.max():
                self._execute_begun(flat, EVENTS[event], keys, outcomes, self.off_bus_rows)
                continue
            rows = rows[np.argsort(keys[rows], kind="stable")]
            block, off_bus = np.zeros(rows.shape, OUTCOME), np.zeros(rows.shape, bool)
            self._execute_begun(flat.take(rows), EVENTS[event], keys[rows], block, off_bus)
            unnamed(outcomes)[rows], self.off_bus_rows[rows] = unnamed(block), off_bus
        self.off_bus += int(np.count_nonzero(self.off_bus_rows))
        return outcomes.reshape(cases.shape)

    def _execute_begun(
        self, cases: Cases, event: str, keys: npt.NDArray[np.integer[Any]],
        outcomes: Outcomes, off_bus: npt.NDArray[np.bool_],
    ) -> None:  # fmt: skip
        """Answers cases with one event ahead, in the order of their keys, into arrays of zeros.

        Those of several keys together: a thousand cases cost the gates hardly more than one.
        """
        for start in range(0, len(cases), BATCH):
            part = slice(start, start + BATCH)
            bounds = [0, *(np.flatnonzero(np.diff(keys[part])) + 1).tolist(), len(keys[part])]
            places = [
                (BY_KEY[int(keys[start + first])], slice(first, end))
                for first, end in pairwise(bounds)
            ]
            result = self._result(cases[part], event, places)
            result.fill(outcomes[part])
            off_bus[part] = unpack([result.off_bus], len(off_bus[part]), np.uint8).view(bool)

    def _result(self, cases: Cases, event: str, places: list[Place]) -> _Result:
        """Runs cases through their published clocks, after an event's beginning."""
        ones = (1 << len(cases)) - 1
        state = self._load(cases, ones, ahead=event != "instruction")
        pins = dict.fromkeys(("irq_n", "nmi_n", "reset_n"), ones)
        if event != "instruction":
            # An interrupt is decided during the instruction before it: a NOP that no case sees.
            pins |= {"IRQ": {"irq_n": 0}, "NMI": {"nmi_n": 0}}.get(event, {})
            data = [ones * (NOP >> bit & 1) for bit in range(8)]
            last = pins | ({"reset_n": 0} if event == "RESET" else {})
            for driven in (pins, last):
                state = self._clock(state, driven, ones, data)
        return self._run(state, pins, ones, answers(places, self.variant, cases))

    def _load(self, cases: Cases, ones: int, *, ahead: bool) -> list[int]:
        """Flip-flops for the first clock of each case or, `ahead`, of the instruction before it."""
        unit = self.unit
        state = [0] * len(unit.netlist.flops)
        pc = cases["pc"] - np.uint16(ahead)
        columns = {"pc": (pc, 16), "stack.pointer": (cases["sp"], 8)}
        columns |= {f"register_{name}": (cases[name], 8) for name in ("a", "x", "y")}
        # What a sequence must not heed: what an earlier one left there.
        columns |= {"low": (cases["y"], 8), "high": (cases["x"], 8), "latch": (cases["a"], 8)}
        planes = {name: pack(column, width) for name, (column, width) in columns.items()}
        status = pack(cases["p"], 8)
        planes["status.flags"] = [status[FLAG_BITS[flag]] for flag in LOWEST_FIRST]
        planes |= {"control.opcode": pack(~cases["sp"], 8), "interrupts.nmi_before": [ones]}
        for name, several in planes.items():
            for i, plane in zip(unit.flops[name], several, strict=True):
                state[i] = plane
        return state

    def _clock(self, state: list[int], pins: dict[str, int], ones: int, data: Planes) -> list[int]:
        """The state after one clock with a known data bus."""
        clock = self.unit.clock(state, [pins[name] for name in self.unit.inputs], ones)
        next(clock)
        try:
            clock.send(data)
        except StopIteration as stop:
            return list(stop.value[0])
        raise AssertionError("a clock has one bus cycle")

    def _run(
        self, state: list[int], pins: dict[str, int], ones: int, answered: Iterator[Answer]
    ) -> _Result:
        """Runs the sequences until each has ended, and keeps what each left."""
        unit, result, alive = self.unit, _Result(), ones
        inputs = [pins[name] for name in unit.inputs]
        for k in range(LONGEST + 1):
            if k:
                done = unit.sync(state, ones)[0] & alive
                if done:
                    for name, old in result.registers.items():
                        values = unit.value(state, name)
                        new = values if done == ones else merge(old, values, done)
                        result.registers[name] = new
                    clocks = [ones * (k >> bit & 1) for bit in range(4)]
                    result.cycles = merge(result.cycles, clocks, done)
                    alive ^= done
            if not alive or k == LONGEST:
                break
            clock = unit.clock(state, inputs, ones)
            early = next(clock)
            address, (write, sync, stopped) = early[:16], early[16:19]
            answer = next(answered)
            wrong = differ(address, answer.address) & answer.lies if answer.address else 0
            try:
                clock.send([plane ^ wrong for plane in answer.byte])
            except StopIteration as stop:
                state, data = stop.value
            off = stopped | (write ^ answer.write) | (sync ^ (0 if k else ones))
            off |= differ(early[19:], [ones * (k >> bit & 1) for bit in range(3)])
            if answer.claimed:
                off |= differ(address, answer.claimed) & answer.shows
            result.off_bus |= off & alive
            if write & alive:
                result.write(address, data, write & alive, ones)
        result.off_bus |= alive
        return result


def differ(left: Any, right: Any) -> int:
    """The cases in which two numbers differ."""
    result = 0
    for a, b in zip(left, right, strict=True):
        result |= a ^ b
    return result


class _Result:
    """Planes of an outcome, and the cases whose bus activity is not the published one."""

    def __init__(self) -> None:
        self.registers = {name: [0] * 8 for name in (*REGISTERS, "status.flags")}
        self.registers |= {"pc": [0] * 16, "status.flags": [0] * len(LOWEST_FIRST)}
        self.cycles = [0] * 4
        self.count = [0, 0, 0]  # of writes
        self.value = [[0] * 8 for _ in range(WRITES)]
        self.address = [[0] * 16 for _ in range(WRITES)]
        self.off_bus = 0

    def write(self, address: Planes, data: Planes, rows: int, ones: int) -> None:
        """Notes one write of the given cases."""
        c0, c1, c2 = self.count
        for slot in range(WRITES):
            wanted = (c0 if slot & 1 else ones ^ c0) & (c1 if slot & 2 else ones ^ c1)
            chosen = rows & wanted & (ones ^ c2)
            if chosen:
                self.value[slot] = merge(self.value[slot], data, chosen)
                self.address[slot] = merge(self.address[slot], address, chosen)
        carry = rows & c0
        self.count = [c0 ^ rows, c1 ^ carry, c2 | (carry & c1)]

    def fill(self, outcomes: Outcomes) -> None:
        """Puts all that was noted into outcomes, all 0 before."""
        columns = [(outcomes[field], self.registers[name]) for name, field in REGISTERS.items()]
        columns += [(outcomes["cycles"], self.cycles), (outcomes["writes"], self.count)]
        for slot in range(WRITES):
            columns.append((outcomes["write_value"][:, slot], self.value[slot]))
            columns.append((outcomes["write_address"][:, slot], self.address[slot]))
        for column, planes in columns:
            if any(planes):
                column[:] = unpack(planes, len(column), column.dtype)
        bits = [FLAG_BITS[flag] for flag in LOWEST_FIRST]
        flags = dict(zip(bits, self.registers["status.flags"], strict=True))
        status = [flags.get(bit, 0) for bit in range(8)]
        outcomes["p"] = unpack(status, len(outcomes), np.uint8) | ALWAYS
