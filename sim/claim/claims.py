"""A rule of thumb, judged by the gates on every input of an operation; and the exact rule found.

A claim links the operands before, the result and the flags after. Where it links flags to one
relation of the operands, the flags are asked whether they tell that relation at all, and for the
simplest formula that does.
"""

from __future__ import annotations

from collections.abc import Iterable
from copy import copy
from dataclasses import dataclass, field
from typing import TYPE_CHECKING, Any, Final

import numpy as np
import numpy.typing as npt

from ..family.status_byte import status_of
from ..netlist.alu_gates import MNEMONICS, AluGates, Inputs
from ..op.operation import CHAIN, arrange, command_of, operate
from ..system.errors import UnusableError
from .asked import ALU_FLAGS as FLAGS
from .asked import IN_P, inputs_of, known, on_the_unit, vocabulary, written_by
from .exact import Combinations
from .expressions import Expression, read

if TYPE_CHECKING:
    from ..op.operation import Operation

#: What writes the flags that a compare leaves alone.
INSTEAD: Final = {"CMP": "SEC, SBC", "CPX": "TXA, SEC, SBC", "CPY": "TYA, SEC, SBC"}

#: Inputs so many at most have every value of every flag before.
FEW: Final = 1 << 16

Column = npt.NDArray[Any]


class ClaimError(UnusableError):
    """The claim cannot be judged; the message says why."""


@dataclass(frozen=True, slots=True)
class Example:
    """One input and what the gates make of it, with the values of parts of the claim."""

    mnemonic: str
    variant: str
    row: dict[str, int]  # a, m, carry_in, decimal as far as they have a part; r, n, v, z, c
    carries: list[int] | None  # c0..c8; None if the adder has no part in it
    numbers: tuple[int, ...]  # as `carrywave op` takes them
    values: tuple[tuple[str, int], ...] = ()

    @property
    def command(self) -> str:
        """What draws it."""
        return command_of(self.mnemonic, self.numbers, self.status, self.variant)

    @property
    def status(self) -> int:
        """P before."""
        flags = {flag.lower(): self.row.get(f"before({flag})", 0) for flag in IN_P}
        flags["c"] |= self.row.get("carry_in", 0)
        flags["d"] |= self.row.get("decimal", 0)
        return int(status_of(flags))

    def operation(self) -> Operation:
        """The same on the whole unit, clock by clock."""
        a, operand = arrange(self.mnemonic, self.numbers)
        p = self.status
        return operate(self.mnemonic, a, operand, p & 1, bool(p & 8), self.variant, p)

    def to_json(self) -> dict[str, Any]:
        """Plain values."""
        values = [{"expression": text, "value": value} for text, value in self.values]
        return self.row | {"carries": self.carries, "values": values, "command": self.command}


@dataclass(frozen=True, slots=True)
class Rule:
    """What the flags say of a relation, in all of some inputs.

    `formula` is true exactly where `relation` is; it is None if the flags do not tell, and then
    `same_flags` are two inputs with equal flags, of which the relation is true of one. If the
    formula needs flags that the instruction does not write, `same_written` are two such inputs with
    equal written flags.
    """

    relation: str
    inputs: int
    combinations: int  # of the flags, that occur
    flags: str  # those that were asked
    written: str  # those that the instruction writes
    formula: str | None
    unwritten: str = ""
    same_flags: tuple[Example, Example] | None = None
    same_written: tuple[Example, Example] | None = None

    def to_json(self) -> dict[str, Any]:
        """Plain values."""
        pairs = {"same_flags": self.same_flags, "same_written": self.same_written}
        return {
            "relation": self.relation, "formula": self.formula, "flags": list(self.flags),
            "unwritten": list(self.unwritten), "inputs": self.inputs,
            "combinations": self.combinations,
            **{name: pair and [case.to_json() for case in pair] for name, pair in pairs.items()},
        }  # fmt: skip


@dataclass(frozen=True, slots=True)
class ClaimPart:
    """The inputs with decimal mode off, or on; `rule` is None unless only a part has one."""

    decimal: int
    inputs: int
    failures: int
    rule: Rule | None = None
    valid: int = 0  # of these inputs, with no digit above 9
    valid_failures: int = 0

    def to_json(self) -> dict[str, Any]:
        """Plain values."""
        return {
            "decimal": self.decimal, "inputs": self.inputs, "failures": self.failures,
            "valid": self.valid, "valid_failures": self.valid_failures,
            "rule": self.rule and self.rule.to_json(),
        }  # fmt: skip


@dataclass(frozen=True, slots=True)
class Claim:
    """What the gates say of a claim."""

    expression: str
    after: str
    given: str | None
    variant: str
    inputs: int
    failures: int
    parts: list[ClaimPart]  # none unless decimal mode has a part in the operation
    counterexample: Example | None
    rule: Rule | None
    unwritten: list[str]  # of what the claim, the condition and the rule name
    notes: list[str] = field(default_factory=list)

    @property
    def holds(self) -> bool:
        """True if it holds on all inputs."""
        return self.failures == 0

    def to_json(self) -> dict[str, Any]:
        """Plain values."""
        example = self.counterexample
        return {
            "expression": self.expression, "after": self.after, "given": self.given,
            "variant": self.variant, "holds": self.holds, "inputs": self.inputs,
            "failures": self.failures, "split": [part.to_json() for part in self.parts],
            "counterexample": example and example.to_json(),
            "command": example and example.command,
            "waveform_command": example and f"{example.command} --vcd claim.vcd",
            "rule": self.rule and self.rule.to_json(),
            "unwritten": self.unwritten, "notes": self.notes,
        }  # fmt: skip


class Answers:
    """What the gates answer to every input of an instruction, or to those that meet a condition."""

    def __init__(
        self, mnemonic: str, variant: str = "nmos", alu: AluGates | None = None,
        flags: str | None = None,
    ) -> None:  # fmt: skip
        """`alu` are other gates than the variant's own. Raises NetlistError.

        `flags` are those of P, in capitals, that have every value before: then the whole unit
        answers too, as it does alone where the ALU has no part.
        """
        self.mnemonic, self.variant, self.use = mnemonic, variant, MNEMONICS.get(mnemonic)
        self.names, self.absent = vocabulary(mnemonic, variant)
        self.columns: dict[str, Column] = {}
        self.written = written_by(mnemonic)
        self.chain = False
        given = self._ask_alu(alu) if self.use else inputs_of(mnemonic)
        if flags is not None or not self.use:
            few = len(given["m"]) << len(IN_P) <= FEW
            varied = "".join(
                flag for flag in (IN_P if few else flags or "")
                if not (flag == "C" and "carry_in" in self.names)
                and not (flag == "D" and "decimal" in self.names)
                and not (flag == "I" and mnemonic == "IRQ")  # masked, it would not come
            )  # fmt: skip
            found = on_the_unit(mnemonic, variant, given, varied)
            times = 1 << len(varied)
            self.columns = {name: np.tile(one, times) for name, one in self.columns.items()}
            self.columns = found | self.columns
        self.rows = len(self.columns["m"])

    def _ask_alu(self, alu: AluGates | None) -> dict[str, Column]:
        """Takes the columns of the ALU alone, and returns those of the inputs for the unit."""
        use = self.use
        assert use is not None
        self.chain = use.operation.name in CHAIN
        inputs = Inputs.every(use, self.variant)
        wires = ("result", *FLAGS, "carry")
        self.columns |= (alu or AluGates(self.variant)).evaluate(use.operation, inputs, wires)
        self.columns["r"] = self.columns.pop("result")
        memory = use.left == "M"
        given = {
            "a": inputs.left, "m": inputs.left if memory else inputs.m,
            "carry_in": inputs.carry_in, "decimal": inputs.decimal,
        }  # fmt: skip
        self.columns |= {name: one for name, one in given.items() if name != "a" or not memory}
        if use.left in "XY":
            self.columns[use.left.lower()] = inputs.left
        return given

    def read(self, text: str) -> Expression:
        """Reads a claim, a condition or a formula about it. Raises ExpressionError."""
        return read(text, self.names, self.absent)

    def only(self, condition: Expression) -> Answers:
        """The same of the inputs that meet a condition."""
        rows = np.flatnonzero(condition.column(self.columns, self.rows))
        found = copy(self)
        found.columns = {name: column[rows] for name, column in self.columns.items()}
        found.rows = len(rows)
        return found

    @property
    def valid(self) -> Column:
        """In which rows a and m hold two decimal digits each, none above 9."""
        rows = np.ones(self.rows, bool)
        for name in {"a", "m"} & {*self.columns}:
            rows &= (self.columns[name] >> 4 <= 9) & (self.columns[name] & 15 <= 9)
        return rows

    def first(self, wrong: Column) -> int:
        """The first of these rows, in decimal one with valid digits if there is one."""
        row = int(wrong.argmax())
        if "decimal" in self.names and self.columns["decimal"][row]:
            digits = wrong & self.valid
            return int(digits.argmax()) if digits.any() else row
        return row

    def truths(self, expression: Expression) -> Column:
        """An expression in every row, 0 or 1."""
        return expression.column(self.columns, self.rows)

    def example(self, row: int, shown: Iterable[Expression] = ()) -> Example:
        """One row, with the values of some expressions."""
        at = {name: column[row : row + 1] for name, column in self.columns.items()}
        names = [name for name in self.names if name not in ("x", "y", "sp") and name in at]
        told = {name: int(at[name][0]) for name in names}
        # Of the flags before those that differ from row to row; the others are 0.
        told |= {
            name: int(at[name][0])
            for name in (f"before({flag})" for flag in IN_P) if name in at and at[name][0]
        }  # fmt: skip
        carry = int(at["carry"][0]) if self.chain else 0
        numbers = [told[name] for name in ("a", "m") if name in told]
        return Example(
            self.mnemonic, self.variant, told,
            [carry >> i & 1 for i in range(9)] if self.chain else None, tuple(numbers),
            tuple((part.text, int(part.column(at, 1)[0])) for part in shown),
        )  # fmt: skip

    def rule(self, relation: Expression) -> Rule | None:
        """What the flags say of a relation; None if it is the same in every row."""
        truths = self.truths(relation)
        if not self.rows or truths.min() == truths.max():
            return None
        every = "".join(flag for flag in FLAGS if flag in self.names)
        written = "".join(flag for flag in every if flag in self.written)
        flags, asked = written, Combinations(written, self.columns, truths)
        same_written = self._pair(asked, relation)
        if every != written and not asked.told:
            flags, asked = every, Combinations(every, self.columns, truths)
        formula, count = asked.formula(), len(asked.occurring)
        if formula is None:
            same_flags = self._pair(asked, relation)
            return Rule(relation.text, self.rows, count, flags, written, None, "", same_flags)
        wrong = np.count_nonzero(self.truths(self.read(str(formula))) != truths)
        if wrong:
            raise AssertionError(f"{formula} is not {relation.text} in {wrong} rows")
        unwritten = "".join(flag for flag in FLAGS if flag in formula.names - set(written))
        return Rule(
            relation.text, self.rows, count, flags, written, str(formula), unwritten,
            same_written=same_written if unwritten else None,
        )  # fmt: skip

    def _pair(self, asked: Combinations, relation: Expression) -> tuple[Example, Example] | None:
        rows = asked.same
        if rows is None:
            return None
        return self.example(rows[0], [relation]), self.example(rows[1], [relation])


def judge(
    expression: str,
    after: str,
    given: str | None = None,
    variant: str = "nmos",
    alu: AluGates | None = None,
) -> Claim:
    """Judges a claim about an instruction on every input, or on those that meet `given`.

    `alu` are other gates than the variant's own. Raises ExpressionError for an expression that
    cannot be used, ClaimError for a condition that no input meets, NetlistError.
    """
    if not known(after):
        raise ClaimError("reset is no instruction: what it leaves is what it finds, but I and S")
    names, absent = vocabulary(after, variant)
    claim = read(expression, names, absent)
    named = claim.used
    condition = None if given is None else read(given, names, absent)
    if condition is not None:
        named |= condition.used
    unit = named & {*IN_P, "pushed"}
    before = "".join(part.asked_before for part in (claim, condition) if part is not None)
    varied = "".join(flag for flag in IN_P if flag in before)
    gates = Answers(after, variant, alu, varied if unit else None)
    if condition is not None:
        gates = gates.only(condition)
        if not gates.rows:
            raise ClaimError(f"no input meets the condition {given!r}: there is nothing to judge")
    wrong = gates.truths(claim) == 0
    failures = int(np.count_nonzero(wrong))
    relation, notes = _relation(claim)
    rule = gates.rule(relation) if relation else None
    parts = []
    if "decimal" in gates.names:
        for decimal, text in enumerate(("not decimal", "decimal")):
            part = gates.only(gates.read(text))
            here = gates.columns["decimal"] == decimal
            failed = int(np.count_nonzero(wrong & here))
            alone = part.rule(relation) if relation and rule and not rule.formula else None
            digits = gates.valid & here if decimal else here & False
            bad = int(np.count_nonzero(wrong & digits))
            count = int(np.count_nonzero(digits))
            parts.append(ClaimPart(decimal, part.rows, failed, alone, count, bad))
    rules = [rule, *(part.rule for part in parts)]
    if relation and rule and not any(told.formula for told in rules if told):
        notes += _narrower(gates, relation)
    if claim.chain:
        notes.insert(0, f"A chain is read as in Python: {claim.chain}.")
    found = {flag for told in rules if told for flag in told.unwritten}
    unwritten = [f for f in FLAGS if f in named | found and f not in gates.written]
    notes += _about_flags(after, unwritten)
    if "r" in named and gates.use and gates.use.operation.name in ("COMPARE", "BIT"):
        unwritten.append("r")
        notes.append(f"r is the ALU's result: {after} does not keep it.")
    if any(part.decimal and part.inputs for part in parts):
        notes += _about_decimal(named, variant)
    first = gates.example(gates.first(wrong), _sides(claim)) if failures else None
    if unit:
        others = " ".join(
            flag
            for flag in IN_P
            if f"before({flag})" in gates.columns and not gates.columns[f"before({flag})"].any()
        )
        notes += [f"0 before in each of these inputs: {others}."] if others else []
    return Claim(
        expression, after, given, variant, gates.rows, failures, [p for p in parts if p.inputs],
        first, rule, unwritten, notes,
    )  # fmt: skip


def _about_flags(mnemonic: str, unwritten: list[str]) -> list[str]:
    """What to say of flags that the instruction does not write."""
    if not unwritten:
        return []
    small, large = " and ".join(unwritten), " and ".join("".join(unwritten).upper())
    verb, flag = ("is", "the flag") if len(unwritten) == 1 else ("are", "the flags")
    writer = INSTEAD.get(mnemonic)
    advice = f" To have it in {flag}, with D clear: {writer}." if writer else ""
    told = f"{small} here {verb} what the adder says"
    return [f"{told}: {mnemonic} leaves {large} alone.{advice}"]


def _about_decimal(named: frozenset[str], variant: str) -> list[str]:
    """What to say of inputs with decimal mode on."""
    doubtful = variant == "nmos" and named & set("nvz")
    invalid = "; N, V and Z they call invalid" if doubtful else ""
    ten = "In decimal ADC carry(4) is set too where the low digits make ten or more."
    nine = f"Decimal on counts digits above 9 too, for which the makers define nothing{invalid}."
    return [ten, nine] if "carry" in named else [nine]


def _narrower(gates: Answers, relation: Expression) -> list[str]:
    """Under which carry before the flags do tell a relation that they do not tell of all inputs."""
    notes = []
    for carry in (0, 1) if "carry_in" in gates.names else ():
        condition = f"carry_in == {carry}" + " and not decimal" * ("decimal" in gates.names)
        rule = gates.only(gates.read(condition)).rule(relation)
        if rule is not None and rule.formula:
            notes.append(f"Where {condition}, the exact rule is {rule.formula}.")
    return notes


def _relation(claim: Expression) -> tuple[Expression | None, list[str]]:
    """The one relation of operands that a claim links flags to, if it does; and what to say."""
    if not claim.used & set(FLAGS):
        return None, []
    found: list[Expression] = []
    if not _collect(claim, found) or not found:
        return None, []
    if not all(one.same(found[0]) for one in found):
        return None, ["The claim has several relations: ask for each alone to have its exact rule."]
    return found[0], []


def _collect(part: Expression, found: list[Expression]) -> bool:
    """Gathers the largest truths without flags; False if flags are joined to plain numbers."""
    if part.used & set(FLAGS):
        return all(_collect(inner, found) for inner in part.parts)
    if part.used and part.range.truth:
        found.append(part)
    return part.range.truth or not part.used


def _sides(claim: Expression) -> list[Expression]:
    """The parts of a claim whose values say why it is true or false."""
    if claim.negation:
        return _sides(claim.parts[0])
    sides = [part for part in claim.parts if part.used]
    return sides if sides and (claim.equation or len(sides) > 1) else [claim]
