"""Proof: the netlist does what the specification says, in every state there is.

One clock of the netlist is the same function that evaluates cases, given symbols for wires. Each
instruction is followed clock by clock, on every path that it can take. Z3 then looks for a state in
which a register, flag, address or byte differs from its term of the specification.

An instruction starts with every register, flag, byte and latch unknown, and what it leaves is
proved to be a start again: of an instruction, or of the entry that the pins ask for. Reset is
proved from any state at all, and so is the unit that an undocumented opcode stopped; power-up is
where it all begins (`standstill`). So what is proved holds of any program.
"""

import time
from collections.abc import Callable, Collection
from dataclasses import dataclass, field
from typing import Any

from ..cases.kinds import forms_of
from ..family.instructions import NAMES, Instruction
from ..family.members import VARIANTS
from ..netlist.synthesis import Netlist, drawn_netlist
from .equivalence import Equivalence, equivalence, optimised_netlist
from .machine import Machine
from .prover import TIMEOUT, Proof, Prover, Refuted
from .specification import Specification, specify
from .standstill import ROWS


@dataclass
class RowProof:
    """What was found out about the opcodes of one mnemonic, or about one entry."""

    proofs: list[Proof] = field(default_factory=list)

    @property
    def opcodes(self) -> list[int]:
        """None for an entry."""
        return [o for proof in self.proofs if (o := proof.instruction.opcode) is not None]

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
    """One variant, by mnemonic or event in the order of `NAMES`, then of `ROWS`."""

    variant: str
    rows: dict[str, RowProof]
    equivalence: Equivalence
    seconds: float

    @property
    def agree(self) -> bool:
        """True if there was something to prove in every row, and all of it is proved."""
        rows = [row.agree for row in self.rows.values()]
        return bool(rows) and all(rows) and self.equivalence.agree

    @property
    def total(self) -> RowProof:
        """All rows as one."""
        return RowProof([proof for row in self.rows.values() for proof in row.proofs])

    def to_json(self) -> dict[str, Any]:
        """Plain values."""
        return {
            "agree": self.agree,
            "properties": self.total.properties,
            "seconds": round(self.seconds, 3),
            "instructions": {
                name: {
                    "opcodes": row.opcodes,
                    "properties": row.properties,
                    "refuted": len(row.refuted),
                    "unproved": row.unproved,
                }
                for name, row in self.rows.items()
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


def _wanted(names: Collection[str]) -> dict[str, tuple[Instruction, ...]]:
    """What there is to do of each row: its opcodes, or itself."""
    rows = {name: tuple(forms_of(name)) for name in NAMES} | {n: (row,) for n, row in ROWS.items()}
    return {name: forms for name, forms in rows.items() if not names or name in names}


def proof_size(variant: str = "all", names: Collection[str] = ()) -> int:
    """How many opcodes and entries there are to do; an optimised netlist counts as one more."""
    variants = VARIANTS if variant == "all" else (variant,)
    return len(variants) * (sum(map(len, _wanted(names).values())) + 1)


def prove(
    variant: str = "all", names: Collection[str] = (),
    progress: Callable[[int], object] | None = None, *,
    netlist: Netlist | None = None, optimised: Netlist | None = None,
    specification: Callable[[Instruction, str], Specification] = specify,
    timeout: float = TIMEOUT, adder: str = "ripple",
) -> ProofReport:  # fmt: skip
    """Proves the rows named, or all, and that the optimised netlist is the drawn one.

    Rows are those of `NAMES` and `ROWS`. `variant` may be "all", and `adder` is the form of the
    ALU's. `netlist` and `optimised` stand in for the variant's own, and `specification` for the one
    that is. `progress` is told what is done of `proof_size`. `timeout` is in seconds, for one
    question to the solver; one that takes longer is left unproved. Raises NetlistError if a netlist
    cannot be made, ValueError for an unknown row, variant or adder.
    """
    for name in names:
        if name not in (*NAMES, *ROWS):
            others = ", ".join(("IRQ", "NMI", "RESET", *ROWS))
            raise ValueError(f"row {name!r}: expected a mnemonic or one of {others}")
    if variant not in (*VARIANTS, "all"):
        raise ValueError(f"variant {variant!r}: expected one of {', '.join(VARIANTS)}, all")
    report, done = ProofReport({}, adder), 0
    for one in VARIANTS if variant == "all" else (variant,):
        began = time.perf_counter()
        drawn = netlist or drawn_netlist(one, adder)
        machine = Machine(drawn)
        rows: dict[str, RowProof] = {}
        for name, forms in _wanted(names).items():
            rows[name] = RowProof()
            for form in forms:
                proof = Prover(machine, specification(form, one), timeout).prove()
                rows[name].proofs.append(proof)
                done += 1
                if progress is not None:
                    progress(done)
        equal = equivalence(drawn, optimised or optimised_netlist(one, adder), timeout)
        report.variants[one] = VariantProof(one, rows, equal, time.perf_counter() - began)
        done += 1
    return report
