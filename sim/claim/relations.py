"""The six relations of two bytes, signed and unsigned, after a compare and after a subtraction.

Each with the exact rule of the flags, the branches that are usual for it, and what a rule of thumb
gets wrong. The branch sequences are common practice of the trade; each is followed here through
every input, and what it gets wrong is counted like everything else.
"""

import itertools
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Any, Final

import numpy as np
import numpy.typing as npt

from ..witness.model import FAMILIES
from .claims import Answers, Rule

Branches = dict[str, tuple[str, ...]]

COMPARISONS: Final = ("<", "<=", "==", "!=", ">=", ">")
#: Turns N where V is set: then N is the sign of the true difference. It spoils A, and Z.
FLIP: Final = ("BVC over", "EOR #$80", "over:")
#: To "yes" where the relation holds; to "no", or falling through, where it does not.
UNSIGNED: Final[Branches] = {
    "<": ("BCC yes",), "<=": ("BEQ yes", "BCC yes"), "==": ("BEQ yes",), "!=": ("BNE yes",),
    ">=": ("BCS yes",), ">": ("BEQ no", "BCS yes"),
}  # fmt: skip
SIGNED: Final[Branches] = {
    "<": (*FLIP, "BMI yes"), "<=": ("BEQ yes", *FLIP, "BMI yes"),
    ">=": (*FLIP, "BPL yes"), ">": ("BEQ no", *FLIP, "BPL yes"),
}  # fmt: skip
#: A - M - 1 is negative exactly where A <= M.
BORROWED: Final[Branches] = {"<=": ("BCC yes",), ">": ("BCS yes",)}
BORROWED_SIGNED: Final[Branches] = {"<=": (*FLIP, "BMI yes"), ">": (*FLIP, "BPL yes")}
#: The rule of thumb, of bytes without a sign and with one: the sign of the difference.
SIGN: Final = {"<": "n", "<=": "n or z", ">=": "not n", ">": "not n and not z"}
BY_SIGN: Final = {(of, signed): rule for of, rule in SIGN.items() for signed in (False, True)}

Column = npt.NDArray[Any]


@dataclass(frozen=True, slots=True)
class RelationRow:
    """A relation; `rule` says if the flags tell it. What fails is counted over all inputs."""

    comparison: str
    signed: bool
    rule: Rule | None
    branches: tuple[str, ...] | None  # None where no branches can tell
    branch_failures: int | None
    naive: str | None
    naive_failures: int | None

    def to_json(self) -> dict[str, Any]:
        """Plain values."""
        return {
            "relation": relation_of(self.comparison, self.signed), "signed": self.signed,
            "rule": self.rule and self.rule.to_json(),
            "branches": self.branches and list(self.branches),
            "branch_failures": self.branch_failures,
            "naive": self.naive, "naive_failures": self.naive_failures,
        }  # fmt: skip


@dataclass(frozen=True, slots=True)
class RelationBlock:
    """The relations after one operation, on all inputs that meet `given`."""

    after: str
    given: str | None
    inputs: int
    rows: list[RelationRow]

    def to_json(self) -> dict[str, Any]:
        """Plain values."""
        rows = [row.to_json() for row in self.rows]
        return {"after": self.after, "given": self.given, "inputs": self.inputs, "rows": rows}


def relation_of(comparison: str, signed: bool) -> str:
    """A relation as a claim writes it."""
    a, m = ("signed(a)", "signed(m)") if signed else ("a", "m")
    return f"{a} {comparison} {m}"


def taken(steps: Sequence[str], columns: dict[str, Column]) -> Column:
    """Where a sequence of branches arrives at "yes", for each row of n, v, z, c and r (in A)."""
    state = {name: columns[name].astype(np.uint8) for name in "nvzcr"}
    active = np.ones(len(state["r"]), bool)
    jumped = {label: np.zeros(len(active), bool) for label in ("yes", "no", "over")}
    for step in steps:
        if step == "over:":
            active = active | jumped["over"]
        elif step == "EOR #$80":
            byte = state["r"] ^ np.uint8(0x80)
            for name, value in (("r", byte), ("n", byte >> 7), ("z", byte == 0)):
                state[name] = np.where(active, value, state[name])
        else:
            mnemonic, label = step.split()
            _, flag, value = FAMILIES[mnemonic]
            goes = active & (state[flag] == value)
            jumped[label] |= goes
            active = active & ~goes
    return jumped["yes"]


def relations(variant: str = "nmos") -> list[RelationBlock]:
    """The table, out of the gates. Raises NetlistError."""
    binary = "" if variant == "binary" else " and not decimal"
    compare, subtract = Answers("CMP", variant), Answers("SBC", variant)
    blocks = [_block(compare, None, UNSIGNED, {}, BY_SIGN)]
    for carry, branches, signed in ((1, UNSIGNED, SIGNED), (0, BORROWED, BORROWED_SIGNED)):
        given = f"carry_in == {carry}{binary}"
        gates = subtract.only(subtract.read(given))
        before = {(row.comparison, row.signed): row.rule for row in blocks[-1].rows}
        # Without the carry the rule of thumb is the rule that holds with it: SEC was forgotten.
        naive = BY_SIGN if carry else {
            key: rule.formula for key, rule in before.items() if rule and rule.formula
        }  # fmt: skip
        blocks.append(_block(gates, given, branches, signed, naive))
    return blocks


def _block(
    gates: Answers,
    given: str | None,
    unsigned: Branches,
    signed: Branches,
    naive: Mapping[tuple[str, bool], str],
) -> RelationBlock:
    rows = []
    for reads_sign, comparison in itertools.product((False, True), COMPARISONS):
        if reads_sign and comparison in ("==", "!="):
            continue
        relation = gates.read(relation_of(comparison, reads_sign))
        truths, rule = gates.truths(relation), gates.rule(relation)
        branches = (signed if reads_sign else unsigned).get(comparison)
        thumb = naive.get((comparison, reads_sign))
        arrives = taken(branches, gates.columns) if branches else None
        guesses = gates.truths(gates.read(thumb)) if thumb else None
        failed, misled = (
            None if told is None else int(np.count_nonzero(told != truths))
            for told in (arrives, guesses)
        )
        row = RelationRow(comparison, reads_sign, rule, branches, failed, thumb, misled)
        rows.append(row)
    return RelationBlock(gates.mnemonic, given, gates.rows, rows)
