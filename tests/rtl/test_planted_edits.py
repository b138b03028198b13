"""Edits of the hardware's source that are mistakes: each is seen, or nobody can see it.

Several are planted at once, each with a row of the proof to itself that must not hold: making gates
of the hardware takes the time. With `PYTHONPATH=tests` this file, run by Python, plants each alone.
"""

from __future__ import annotations

import time
from collections import Counter
from collections.abc import Iterator
from typing import Any

import pytest
from planted_edits import EDITS
from planting import RTL, Edit, edited

from carrywave.sim.cases.kinds import forms_of
from carrywave.sim.netlist.synthesis import Netlist, NetlistError, drawn_netlist
from carrywave.sim.prove.equivalence import equivalence
from carrywave.sim.prove.machine import Machine
from carrywave.sim.prove.prover import Prover
from carrywave.sim.prove.specification import specify
from carrywave.sim.prove.standstill import ROWS, Properties
from carrywave.sim.witness.gates import GateUnit

TOGETHER = 10
ALONE = ("refused", "equivalent")


def groups() -> Iterator[list[Edit]]:
    """The edits of a variant, no two of a group with the same row or the same text."""
    found: list[list[Edit]] = []
    for edit in EDITS:
        row = edit.seen.split()[0]
        for group in found:
            rows = {row, *(one.seen.split()[0] for one in group)}
            fits = len(rows) == len(group) + 1 <= TOGETHER and group[0].variant == edit.variant
            apart = not rows & {*ALONE}
            if fits and apart and all((edit.file, edit.old) != (o.file, o.old) for o in group):
                group.append(edit)
                break
        else:
            found.append([edit])
    yield from found


class OneProperty(Prover):
    """Asks of one property whether there is a state in which it does not hold."""

    wanted = ""
    refuted = False

    def _judge(self, condition: tuple[Any, ...], properties: Properties) -> None:
        if self.wanted in properties and not self.refuted:
            actual, expected = properties[self.wanted]
            self.refuted = self.query.model(*condition, actual != expected) is not None


def refuted(machine: Machine, row: str, variant: str, wanted: str) -> bool:
    """Whether that property of a row is refuted, in one of its modes."""
    for form in [ROWS[row]] if row in ROWS else forms_of(row):
        prover = OneProperty(machine, specify(form, variant), timeout=10)
        prover.wanted = wanted
        prover.prove()
        if prover.refuted:
            return True
    return False


def see(edits: list[Edit], netlist: Netlist, variant: str) -> None:
    """Each of the edits is seen as it says."""
    machine = None
    for edit in edits:
        how, _, what = edit.seen.partition(" ")
        if how == "equivalent":
            assert equivalence(drawn_netlist(variant), netlist).agree, edit
        elif how == "refused":
            with pytest.raises(NetlistError) as refusal:
                GateUnit(netlist)
            told = str(refusal.value)
            assert what in told.replace(",", " ").split(), edit
            assert "\n" not in told
        else:
            machine = machine or Machine(netlist)
            assert refuted(machine, how, variant, what), edit


@pytest.mark.parametrize(
    "edits",
    [
        pytest.param(group, id=group[0].seen, marks=pytest.mark.exhaustive if i else ())
        for i, group in enumerate(groups())
    ],
)
def test_each_edit_of_the_hardware_is_seen(edits: list[Edit]) -> None:
    variant = edits[0].variant
    see(edits, edited(edits, variant), variant)


def test_an_edit_that_changes_nothing_would_not_be_seen() -> None:
    drawn = drawn_netlist("nmos")
    for seen in ("RESET reset.nmi_pending", "refused pc"):
        with pytest.raises((AssertionError, pytest.fail.Exception)):
            see([Edit("", "", "", seen)], drawn, "nmos")


def test_the_edits_are_of_every_file_that_does_something_and_none_is_there_twice() -> None:
    assert len(EDITS) == len({(e.file, e.old, e.new, e.variant) for e in EDITS}) == 81
    files = {path.stem for path in RTL.glob("*.py")}
    # Two other adders, which have planted mistakes of their own; names; and what only holds types.
    assert files - {e.file for e in EDITS} == {
        "__init__", "lookahead", "prefix", "variant", "word",
    }  # fmt: skip
    assert sum(map(len, groups())) == len(EDITS)
    assert Counter(e.seen for e in EDITS)["equivalent"] == 2


if __name__ == "__main__":
    began = time.process_time()
    for one in EDITS:
        see([one], edited([one], one.variant), one.variant)
        print(one)
    print(f"{len(EDITS)} edits, each seen: {time.process_time() - began:.0f} s")
