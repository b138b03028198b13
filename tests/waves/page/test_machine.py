"""A listing in the page's machine goes as its reference waveform does, forwards and backwards."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from typing import Any

import pytest
from usual import first_of

Runner = Callable[..., Any]

SIGNALS = {
    "address": "unit.address", "write": "unit.write", "pc": "unit.pc", "register_a": "unit.a",
    "register_x": "unit.x", "register_y": "unit.y", "stack.pointer": "unit.stack.sp",
    "alu.a": "unit.alu.a", "alu.operand": "unit.alu.operand", "alu.carry": "unit.alu.carry",
    "alu.sum": "unit.alu.sum", "irq_n": "unit.irq_n", "nmi_n": "unit.nmi_n",
}  # fmt: skip
RUN = """
const machine = new Machine("nmos", DATA.listings.find(one => one.name === GIVEN.name));
const seen = name => name === "address" ? machine.address : name === "write" ? machine.write
  : name in machine.levels ? machine.levels[name]
  : name in machine.places.flops ? machine.flop(name) : machine.wire(name);
const row = () => GIVEN.signals.map(seen);
const rows = [], texts = () => JSON.stringify([row(), [...machine.memory]]);
for (; machine.clock < GIVEN.clocks; machine.forward()) rows.push(row());
const there = texts();
let back = true;
for (const clock of [GIVEN.clocks - 3, 2, GIVEN.clocks >> 1, 0]) {
  machine.goTo(clock);
  back &&= JSON.stringify(row()) === JSON.stringify(rows[clock]);
}
machine.goTo(GIVEN.clocks);
const from = GIVEN.clocks >> 1, looked = machine.look(from, GIVEN.clocks - 1, row);
const writes = rows.flatMap((one, clock) => one[GIVEN.signals.indexOf("write")] ? [clock] : []);
const last = machine.lastBefore(() => machine.write);
machine.goTo(GIVEN.clocks);
told({rows, back, from, looked, last, writes, same: texts() === there, ended: machine.ended});
"""
LISTINGS = (
    "nested_interrupts", "decimal_count", "stack_wrap", "signed_compare", "unsigned_compare",
    "multibyte_add", "table_walk", "pointer_wrap", "write_twice",
)  # fmt: skip


@pytest.mark.parametrize("name", first_of(LISTINGS))
def test_a_listing_goes_as_its_waveform_does(
    run_script: Runner, reference_texts: Mapping[str, Any], name: str
) -> None:
    dump = reference_texts[name]
    clocks = dump.clocks - 1
    found = run_script(RUN, given={"name": f"{name}.s", "signals": [*SIGNALS], "clocks": clocks})
    columns = [dump.values[path] for path in SIGNALS.values()]
    wanted = [list(row) for row in zip(*columns, strict=False)][:clocks]
    assert found["rows"] == wanted
    assert found["looked"] == wanted[found["from"] :]
    assert found["last"] == (found["writes"] or [-1])[-1]
    assert found["back"]
    assert found["same"]
    assert found["ended"]


#: Memory stays as it is when the machine goes back.
FORGETS = """
const restore = Machine.prototype.restore;
Machine.prototype.restore = function (key) {
  restore.call(this, {...key, memory: this.memory.slice()});
};
"""


def test_a_machine_that_does_not_take_memory_back_is_seen(run_script: Runner) -> None:
    given = {"name": "nested_interrupts.s", "signals": [*SIGNALS], "clocks": 200}
    assert run_script(RUN, given=given)["same"]
    found = run_script(FORGETS + RUN, given=given)
    assert not (found["same"] and found["back"] and found["looked"] == found["rows"][100:])


EDITED = """
const listing = DATA.listings.find(one => one.name === "nested_interrupts.s");
const machine = new Machine("nmos", listing);
machine.goTo(100);
machine.edit({clock: 100, address: 0x1F, value: 0x77});
machine.edit({clock: 100, pin: "nmi_n", level: 0});
machine.edit({clock: 102, pin: "nmi_n", level: 1});
machine.goTo(130);
const all = one => JSON.stringify([one.clock, one.name, [...one.flops], [...one.memory]]);
const first = all(machine);
machine.goTo(99);
const before = machine.memory[0x1F];
machine.goTo(130);
const again = all(machine), after = machine.memory[0x1F];
const other = new Machine("nmos", listing);
other.change(machine.edits, 130);
told({before, after, again: first === again, linked: first === all(other)});
"""


@pytest.mark.exhaustive
def test_what_the_reader_does_is_done_again_on_the_way_back_and_by_a_link(
    run_script: Runner,
) -> None:
    assert run_script(EDITED) == {"before": 0, "after": 0x77, "again": True, "linked": True}
