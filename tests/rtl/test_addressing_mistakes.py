"""Mistakes planted in the rows that form an address: sweep and proof both name each of them."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace
from typing import Any

import pytest
from usual import first_of

from carrywave.rtl import control
from carrywave.rtl.alu import AluOperation
from carrywave.rtl.steps import Step
from carrywave.rtl.word import AddressSource, LatchNext, Left
from carrywave.sim.netlist.synthesis import SCRIPT, Netlist, netlist_by
from carrywave.sim.prove.proving import prove
from carrywave.sim.sweep.sweeping import BUS, sweep
from carrywave.sim.witness.gates import Gates

Rows = dict[Step, Any]


def pointer_does_not_wrap(rows: Rows) -> None:
    """JMP (xxFF) takes the high byte from the next page."""
    low = rows[Step.INDIRECT_LOW]
    rows[Step.INDIRECT_LOW] = replace(low, detour=("carried", Step.INDIRECT_CARRY))


def index_from_the_other_register(rows: Rows) -> None:
    rows[Step.ABSOLUTE_X] = replace(rows[Step.ABSOLUTE_X], left=Left.Y)


def crossing_is_not_corrected(rows: Rows) -> None:
    rows[Step.INDEX_CARRY] = replace(rows[Step.INDEX_CARRY], high=LatchNext.HOLD)


def crossing_is_corrected_twice(rows: Rows) -> None:
    """Where the access waits, the clock that waits corrects once more."""
    once = rows[Step.INDEX_CARRY]
    rows[Step.INDEX_CARRY] = replace(once, next=Step.INDEX_WAIT)
    more = {"left": Left.HIGH, "operation": AluOperation.INCREMENT, "high": LatchNext.ALU}
    rows[Step.INDEX_WAIT] = replace(rows[Step.INDEX_WAIT], **more)


def discarded_read_elsewhere(rows: Rows) -> None:
    """At the last byte of the instruction, as CMOS reads."""
    rows[Step.INDEX_CARRY] = replace(rows[Step.INDEX_CARRY], address=AddressSource.PC)


def write_before_the_correction(rows: Rows) -> None:
    rows[Step.INDEX_CARRY] = replace(rows[Step.INDEX_CARRY], write=True)


def netlist_of(mistake: Callable[[Rows], None]) -> Netlist:
    """The unit with a mistake in its rows."""
    right = control.rows

    def rows(variant: Any) -> Rows:
        found = dict(right(variant))
        mistake(found)
        return found

    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(control, "rows", rows)
        return netlist_by(SCRIPT, "nmos")


MISTAKES = [
    # What is wrong, where, in which fields of an outcome, and which property does not hold.
    (pointer_does_not_wrap, "JMP", {"pc", "cycles"}, "pc"),
    (crossing_is_not_corrected, "STA", {"write_address", BUS}, "write_address[0]"),
    (index_from_the_other_register, "STA", {"write_address", BUS}, "write_address[0]"),
    (crossing_is_corrected_twice, "STA", {"write_address", BUS, "cycles"}, "write_address[0]"),
    (discarded_read_elsewhere, "STA", {BUS}, "address[3]"),
    (write_before_the_correction, "STA", {"writes", "write_address", BUS}, "control[3]"),
]


@pytest.mark.parametrize(("mistake", "name", "fields", "refuted"), first_of(MISTAKES))
def test_a_mistake_of_addressing_is_named(
    mistake: Callable[[Rows], None], name: str, fields: set[str], refuted: str
) -> None:
    netlist = netlist_of(mistake)
    swept = sweep("nmos", [name, "NOP"], Gates("nmos", netlist)).variants["nmos"]
    found = {row.name: {*row.tally.fields} for row in swept.rows if row.tally.mismatches}
    assert found.keys() == {name}
    assert found[name] >= fields
    proof = prove("nmos", [name, "NOP"], netlist=netlist, optimised=netlist).variants["nmos"]
    broken = {row: {one.field for one in proof.rows[row].refuted} for row in proof.rows}
    assert broken["NOP"] == set()
    assert refuted in broken[name]
