"""What one instruction's cases offer to a formula: named bytes, named truths, and the chain."""

from __future__ import annotations

from collections.abc import Callable
from typing import Any, Final

import numpy as np
import numpy.typing as npt

from ..cases.kinds import BY_KEY, alike, forms_of, keys_of
from ..cases.layout import Cases, Outcomes
from ..family.instructions import Instruction
from ..family.status_byte import FLAG_BITS

Column = npt.NDArray[Any]
Truths = npt.NDArray[np.bool_]
Terms = dict[str, Callable[[], Column]]  # computed where they are asked for

_BEFORE: Final = "vcnzid"  # the likelier ones first
_REGISTERS: Final = {
    **dict.fromkeys(("CPX", "INX", "DEX", "TXA", "TXS", "STX"), "x"),
    **dict.fromkeys(("CPY", "INY", "DEY", "TYA", "STY"), "y"),
    "TSX": "sp",
}  # fmt: skip
#: The register that gets the result.
TARGETS: Final = {
    **dict.fromkeys(("LDX", "TAX", "TSX", "INX", "DEX"), "x"),
    **dict.fromkeys(("LDY", "TAY", "INY", "DEY"), "y"),
    **dict.fromkeys(("ADC", "SBC", "AND", "ORA", "EOR", "LDA", "TXA", "TYA", "PLA"), "a"),
}  # fmt: skip
_SHIFTS: Final = ("ASL", "LSR", "ROL", "ROR")
_STEPS: Final = ("INC", "DEC", "INX", "DEX", "INY", "DEY")
_SUMS: Final = ("ADC", "SBC", "CMP", "CPX", "CPY")


def result_of(name: str, outcomes: Outcomes, expected: Outcomes) -> Column | None:
    """The byte that is left where the result should go; None if the instruction makes none."""
    if name in TARGETS:
        return outcomes[TARGETS[name]].astype(np.int32)
    if name in (*_SHIFTS, "INC", "DEC"):
        # The last byte written: NMOS writes the unmodified one first.
        last = np.maximum(expected["writes"].astype(np.int64) - 1, 0)[:, None]
        stored = np.take_along_axis(outcomes["write_value"], last, axis=1)[:, 0]
        return np.where(expected["writes"] > 0, stored, outcomes["a"]).astype(np.int32)
    return None


class AnswerInputs:
    """What one instruction's cases offer to a formula, a column of numbers each.

    `name` is a mnemonic or an event; all cases are of it. `actual` are the answers to explain.
    """

    def __init__(self, name: str, cases: Cases, expected: Outcomes, actual: Outcomes) -> None:
        self.name, self.cases, self.expected, self.actual = name, cases, expected, actual
        self.forms = [(BY_KEY[key], rows) for key, rows in alike(keys_of(cases))]
        self.clocks = self._of_form(lambda form: form.clocks)
        self.a, self.x, self.y = (cases[name].astype(np.int32) for name in "axy")
        self.pc, self.sp, self.p = (cases[name].astype(np.int32) for name in ("pc", "sp", "p"))
        self.following = (self.pc + self._of_form(lambda form: form.length)) % 65536
        self.m, self.c = self.read("m"), self.p & 1
        self.has_m = any("m" in form.reads for form in forms_of(name))
        self.pulls = forms_of(name)[0].pulls
        register = _REGISTERS.get(name, "a")
        self.label, self.source = register.upper(), getattr(self, register)
        if name in (*_SHIFTS, "INC", "DEC"):
            in_a = self._of_form(lambda form: form.mode.operand == "a") > 0
            self.label = "A" if in_a.all() else "M" if not in_a.any() else "the byte"
            self.source = np.where(in_a, self.a, self.m)
        elif self.pulls:
            self.label, self.source = "the first byte pulled", self.pulled(0)

    def __len__(self) -> int:
        return len(self.cases)

    def at(self, rows: npt.NDArray[np.int64] | Truths) -> AnswerInputs:
        """The same of some of the rows."""
        return AnswerInputs(self.name, self.cases[rows], self.expected[rows], self.actual[rows])

    def _of_form(self, number: Callable[[Instruction], int]) -> Column:
        found = np.zeros(len(self), np.int32)
        for form, rows in self.forms:
            found[rows] = number(form)
        return found

    def read(self, name: str) -> Column:
        """A byte that is read, by its name; 0 where it is not."""
        found = np.zeros(len(self), np.int32)
        for form, rows in self.forms:
            if name in form.reads:
                found[rows] = self.cases["read_value"][rows, form.reads.index(name)]
        return found

    def word(self, low: str, high: str) -> Column:
        """Two bytes that are read."""
        return np.asarray(self.read(low) + 256 * self.read(high))

    def pulled(self, i: int) -> Column:
        """A byte from above SP."""
        return self.read(f"pull{i}")

    def bytes(self) -> dict[str, Column]:
        """The bytes that the instruction works on."""
        found = {self.label: self.source}
        if self.has_m and self.label not in ("M", "the byte"):
            found["M"] = self.m
        return found

    def result(self) -> Column:
        """The right result, or what the right flags judge."""
        right = result_of(self.name, self.expected, self.expected)
        if right is not None:
            return right
        if self.name in _SUMS:
            return np.asarray((self.source - self.m) % 256)
        return np.asarray(self.a & self.m) if self.name == "BIT" else self.source

    def signals(self, given: bool = True) -> Terms:
        """Named truths, the likeliest to be taken for a flag first.

        `given` adds those of the result that the emulator gives, where it is wrong.
        """
        found: Terms = {"0": lambda: np.zeros(len(self), np.int32)}
        for flag in _BEFORE:
            found[f"{flag.upper()} before"] = _bit(self.p, FLAG_BITS[flag])
        inputs = self.bytes()
        what = "(A AND M)" if self.name == "BIT" else "the result"
        judged = {what: self.result()}
        is_sum = self.name in (*_SUMS, *_STEPS)
        made = result_of(self.name, self.actual, self.expected)
        if given and made is not None and not np.array_equal(made, judged[what]):
            judged["the result it gives"] = made
        if is_sum:
            found |= self._chain()
        for label, byte in {**inputs, **judged}.items():
            found[f"bit 7 of {label}"] = _bit(byte, 7)
        for label, byte in judged.items():
            for bits, mask in _JUDGED.items():
                found[f"{bits}{label} = 0"] = _zero(byte, mask)
        for label, byte in {**inputs, **judged}.items():
            found.setdefault(f"{label} = 0", _zero(byte))
            for bit in range(6, -1, -1):
                found[f"bit {bit} of {label}"] = _bit(byte, bit)
        if is_sum:
            found |= self._more_sums()
        for label, byte in {"A": self.a, "X": self.x, "Y": self.y, "SP": self.sp}.items():
            if label not in inputs:
                found[f"bit 7 of {label}"] = _bit(byte, 7)
                found[f"{label} = 0"] = _zero(byte)
        for flag, bit in FLAG_BITS.items():
            found[f"the right {flag.upper()}"] = _bit(self.expected["p"], bit)
        return found

    def _added(self) -> Column:
        """What the adder is given beside the register."""
        if self.name in _STEPS:
            return np.full(len(self), 0 if self.name.startswith("IN") else 255)
        return self.m if self.name == "ADC" else 255 - self.m

    def _chain(self) -> Terms:
        carry = {"ADC": self.c, "SBC": self.c}.get(self.name, self.c * 0 + 1)
        if self.name in _STEPS:
            carry = carry * self.name.startswith("IN")
        added = self._added()
        return {f"carry {i}": _carry(self.source, added, carry, i) for i in range(8, 0, -1)}

    def _more_sums(self) -> Terms:
        """Carries of other sums than the right one, and comparisons."""
        a, m = self.source, self.m
        if self.name in _STEPS:
            return {f"{self.label} = FF": _zero(255 - a)}
        found: Terms = {
            f"{self.label} >= M": lambda: np.asarray(a >= m),
            f"{self.label} > M": lambda: np.asarray(a > m),
            f"{self.label} = M": lambda: np.asarray(a == m),
            f"{self.label} >= M as signed numbers": lambda: np.asarray((a ^ 128) >= (m ^ 128)),
            f"{self.label} > M as signed numbers": lambda: np.asarray((a ^ 128) > (m ^ 128)),
        }
        others = {"0": a * 0, "1": a * 0 + 1, "C": self.c, "NOT C": 1 - self.c}
        for operand, byte in {"M": m, "NOT M": 255 - m}.items():
            for into, carry in others.items():
                total = f"{self.label} + {operand} + {into}"
                for i in (8, 7):
                    found[f"carry {i} of {total}"] = _carry(a, byte, carry, i)
                found[f"bit 7 of {total}"] = _carry(a * 2, byte * 2, carry * 2, 8)
                if into == "C":
                    found[f"{total} = 0"] = _zero(a + byte + carry)
                    found[f"{total} = 0 in 9 bits"] = _zero(a + byte + carry, -1)
        found["the low digits' sum > 9"] = lambda: np.asarray(a % 16 + m % 16 + self.c > 9)
        return found


#: Parts of a byte that are taken for the whole when Z is judged.
_JUDGED: Final = {
    "": 0xFF, "bits 0 to 6 of ": 0x7F, "bits 1 to 7 of ": 0xFE, "bits 0 to 3 of ": 0x0F,
    "bits 4 to 7 of ": 0xF0,
}  # fmt: skip


def _bit(number: Column, bit: int) -> Callable[[], Column]:
    return lambda: np.asarray(number >> bit & 1)


def _zero(number: Column, mask: int = 255) -> Callable[[], Column]:
    return lambda: np.asarray(number & mask == 0)


def _carry(a: Column, b: Column, carry: Column, i: int) -> Callable[[], Column]:
    return lambda: np.asarray((a % (1 << i) + b % (1 << i) + carry) >> i & 1)
