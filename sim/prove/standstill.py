"""What no instruction says: power-up, a clock of reset in any state, and the unit that stopped.

Published (W65C02S data sheet, 2020, section 3.11, for CMOS; the makers' manuals for NMOS): after
reset a sequence of seven clocks that writes nothing, sets I, on CMOS clears D, and goes on at the
vector. That is proved with the instructions. All here is ours, where the makers leave it open:

- power-up begins with the reset sequence, by itself; every other register holds 0, NMI's pin counts
  as high before, and no interrupt waits;
- a clock with `reset_n` low stops a write in that same clock, forgets an NMI that waits or comes in
  that clock, and begins the sequence anew; what else the clock was to do is done;
- so a longer pulse leaves what its first two clocks left, and what an IRQ asks for is asked again;
- an opcode outside the documented set stops the unit two clocks after its fetch began. It reads on
  where PC points, writes nothing and holds all registers, whatever the pins of interrupts do, until
  reset; an NMI is remembered meanwhile, and reset forgets it.
"""

from collections.abc import Iterator, Sequence
from dataclasses import dataclass, replace
from typing import Any, Final

import z3

from ..family.instructions import BY_OPCODE
from .machine import CONTROL, NOP, PINS, STATE, Machine, label
from .terms import BitTable, Wire, constant, term_of, vector_of

#: The rows of a proof that are no instructions, in the order of the report.
ROWS: Final = {
    name: replace(BY_OPCODE[NOP], mnemonic=name, opcode=None) for name in ("POWER-UP", "STOPPED")
}
#: What each clock makes anew of the pins; and what is left, but for control.
ASKED: Final = tuple(
    name for name in STATE if name.startswith("interrupts.") and name not in CONTROL
)
HELD: Final = tuple(name for name in STATE if name not in (*CONTROL, *ASKED))

#: Properties by name: what the netlist has, and what it should have.
Properties = dict[str, tuple[Any, Any]]


@dataclass(frozen=True)
class Standstill:
    """The properties of such a row; of RESET those of its pin."""

    machine: Machine
    table: BitTable

    def of(self, row: str) -> Iterator[tuple[tuple[Any, ...], Properties]]:
        """Conditions, and what must hold under them."""
        if row == "POWER-UP":
            yield (), self._power_up()
        elif row == "RESET":
            yield (), self._reset()
            yield (), self._reset_again()
        elif row == "STOPPED":
            opcode = self.table.symbol("opcode", 8)
            whole = vector_of(opcode, self.table)
            yield (z3.And(*(whole != known for known in BY_OPCODE)),), self._stops(opcode)
            yield (), self._stopped()

    def _power_up(self) -> Properties:
        """Every flip-flop as power-up leaves it."""
        machine = self.machine
        state = [machine.netlist.initial.get(q, 0) for q, _ in machine.netlist.flops]
        right = [0] * len(state)
        right[machine.flops["interrupts.nmi_before"][0]] = 1
        for place, value in zip(machine.control, machine.starts["RESET"], strict=True):
            right[place] = value
        return self._alike(state, right, STATE)

    def _reset(self) -> Properties:
        """A clock of reset in any state: what it begins and forgets, and what it leaves be."""
        state = self.machine.symbols(self.table, None)
        after, outputs = self._clock(state, reset_n=0)
        usual, others = self._clock(state)
        begun = vector_of(self.machine.starts["RESET"], self.table)
        found = {
            "control": (self._held(after, *CONTROL), begun),
            "write": (term_of(outputs["write"][0]), z3.BoolVal(False)),
        }
        right = self._asked(state) | {"interrupts.nmi_pending": 0}
        for name in ASKED:
            found[label(name)] = self._held(after, name), term_of(right[name])
        found |= self._alike(after, usual, HELD)
        for name in sorted(outputs.keys() - {"write"}):
            found[name] = tuple(vector_of(one[name], self.table) for one in (outputs, others))
        return {f"reset.{name}": pair for name, pair in found.items()}

    def _reset_again(self) -> Properties:
        """One clock of it more: nothing moves, and an entry has BRK's opcode."""
        state = self.machine.symbols(self.table, self.machine.starts["RESET"])
        after, _ = self._clock(state, reset_n=0)
        right = state.copy()
        for place in self.machine.flops["control.opcode"]:
            right[place] = 0
        found = self._alike(after, right, (*HELD, *CONTROL))
        return {f"reset.again.{name}": pair for name, pair in found.items()}

    def _stops(self, opcode: Sequence[Wire]) -> Properties:
        """An opcode in the clock after its fetch."""
        fetched, after, outputs = self._fetch(opcode)
        found = self._alike(after, fetched, HELD) | self._quiet(outputs, fetched)
        found["control.position"] = self._held(after, "control.position"), self._stop
        return {f"stops.{name}": pair for name, pair in found.items()}

    def _stopped(self) -> Properties:
        """From then on, whatever the latches and the clock's number are, and the pins do."""
        state = self.machine.symbols(self.table, None)
        for place, value in zip(self.machine.flops["control.position"], self._steps(), strict=True):
            state[place] = value
        after, outputs = self._clock(state)
        found = self._quiet(outputs, state)
        found |= self._alike(after, state, (*HELD, "control.position", "interrupts.cause"))
        for name, right in self._asked(state).items():
            found[label(name)] = self._held(after, name), term_of(right)
        return {f"stopped.{name}": pair for name, pair in found.items()}

    # What several of them have

    def _asked(self, state: Sequence[Wire]) -> dict[str, Wire]:
        """What a clock that takes no interrupt makes of the pins."""
        pins, pending = self._pins(0), self._bit(state, "interrupts.nmi_pending")
        waits = pending | (self._bit(state, "interrupts.nmi_before") & (pins["nmi_n"] ^ 1))
        asked = (pins["irq_n"] ^ 1) & (self._bit(state, "status.flags.i") ^ 1)
        return {
            "interrupts.nmi_before": pins["nmi_n"], "interrupts.nmi_pending": waits,
            "interrupts.nmi_decided": waits, "interrupts.irq_decided": asked,
        }  # fmt: skip

    def _quiet(self, outputs: dict[str, list[Wire]], state: Sequence[Wire]) -> Properties:
        """What the pins of a stopped unit tell."""
        told = {
            name: (term_of(outputs[name][0]), z3.BoolVal(name == "stopped"))
            for name in ("write", "sync", "stopped")
        }
        address = vector_of(outputs["address"], self.table)
        return told | {"address": (address, self._held(state, "pc"))}

    def _fetch(self, opcode: Sequence[Wire]) -> Any:
        """An instruction's first two clocks: the states that they leave, the second's outputs."""
        state = self.machine.symbols(self.table, self.machine.starts["instruction"])
        fetched, _ = self._clock(state, data=opcode)
        return fetched, *self._clock(fetched, number=1)

    def _steps(self) -> list[Wire]:
        """The step in which such an opcode, the lowest one, leaves the unit."""
        lowest = min({*range(256)} - BY_OPCODE.keys())
        _, after, _ = self._fetch(constant(lowest, 8))
        return [after[place] for place in self.machine.flops["control.position"]]

    @property
    def _stop(self) -> Any:
        return vector_of(self._steps(), self.table)

    def _clock(
        self, state: Sequence[Wire], *, reset_n: Wire = 1, data: Sequence[Wire] | None = None,
        number: int = 0,
    ) -> tuple[list[Wire], dict[str, list[Wire]]]:  # fmt: skip
        """One clock; the pins of interrupts may do anything, and so may the bus."""
        running, _ = self.machine.begin(state, self._pins(number) | {"reset_n": reset_n})
        return self.machine.finish(running, data or self.table.symbol(f"discarded.{number}", 8))

    def _pins(self, number: int) -> dict[str, Wire]:
        return {pin: self.table.symbol(f"{pin}.{number}", 0)[0] for pin in PINS}

    def _bit(self, state: Sequence[Wire], name: str) -> Wire:
        return state[self.machine.flops[name][0]]

    def _held(self, state: Sequence[Wire], *names: str) -> Any:
        return self.machine.held(state, self.table, *names)

    def _alike(self, state: Sequence[Wire], right: Sequence[Wire], names: Any) -> Properties:
        """What these registers hold, and what they should."""
        return {label(name): (self._held(state, name), self._held(right, name)) for name in names}
