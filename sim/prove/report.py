"""The report of a proof."""

from __future__ import annotations

from typing import TYPE_CHECKING

from ..family.instructions import BY_OPCODE
from ..family.status import FLAG_BITS
from ..netlist.synthesis import built_as
from .prover import Refuted
from .proving import ProofReport, Share
from .specification import ENTRIES

if TYPE_CHECKING:
    from rich.console import Console

__all__ = ["describe", "draw_proof"]

# The report


def draw_proof(report: ProofReport, console: Console) -> None:
    """A table of all rows, and the first property that does not hold, in full."""
    from rich.table import Table as Grid
    from rich.text import Text

    variants = list(report.variants.values())
    grid = Grid(box=None, padding=(0, 2, 0, 0), pad_edge=False, header_style="bold")
    for heading in ("instruction", "opcodes"):
        grid.add_column(heading, no_wrap=True, vertical="bottom")
    open_too = any(one.total.unproved for one in variants)
    headings = ["properties", "refuted", *(["unproved"] * open_too), "seconds"]
    if len(variants) > 1:
        headings = [f"{one.variant}\nproved" for one in variants]
    for heading in headings:
        grid.add_column(heading, justify="right", no_wrap=True, vertical="bottom")

    def cells(share: Share) -> list[Text]:
        counts = [len(share.refuted), *([share.unproved] * open_too)]
        if len(variants) > 1:
            proved = share.properties - sum(counts)
            whole = share.properties and proved == share.properties
            return [Text(f"{proved:,} of {share.properties:,}", "" if whole else "bold red")]
        return [
            Text(f"{share.properties:,}", "" if share.properties else "bold red"),
            *(Text(f"{count:,}", "bold red" if count else "") for count in counts),
            Text(f"{share.seconds:.1f}"),
        ]

    for name, share in variants[0].shares.items():
        opcodes = " ".join(f"{opcode:02X}" for opcode in share.opcodes)
        grid.add_row(name, opcodes, *(c for one in variants for c in cells(one.shares[name])))
    grid.add_section()
    count = len(variants[0].total.opcodes)
    grid.add_row(
        "all", str(count), *(c for one in variants for c in cells(one.total)), style="bold"
    )
    console.print(grid)
    console.print()
    for one in variants:
        total, same, built = one.total, one.equivalence, built_as(one.variant, report.adder)
        proved = total.properties - len(total.refuted) - total.unproved
        console.print(Text(
            f"{built}: {proved:,} of {total.properties:,} properties proved for all states, "
            f"{one.seconds:.1f} s"
        ))  # fmt: skip
        console.print(Text(
            f"{built}: optimised netlist, {same.gates[1]:,} gates for {same.gates[0]:,}: "
            f"{same.equal} of {same.outputs} outputs and next values proved equal"
        ))  # fmt: skip
        if same.different:
            console.print(Text(f"  different: {', '.join(same.different)}", "bold red"))
    if report.first is not None:
        console.print(Text("\n" + describe(report.first, report.adder)))


def describe(refuted: Refuted, adder: str = "ripple") -> str:
    """The instruction, the property, the state, and how to see it."""
    case = refuted.case
    digits = max(1, (refuted.width + 3) // 4)
    expected, actual = (f"{value:0{digits}X}" for value in (refuted.expected, refuted.actual))
    code = " ".join(f"{byte:02X}" for byte in case["bytes"][: case["length"]])
    what = f"{code} " if code else ""
    flags = "".join(f.upper() if case["p"] >> bit & 1 else f for f, bit in FLAG_BITS.items())
    state = " ".join(f"{name.upper()} {int(case[name]):02X}" for name in ("a", "x", "y", "sp", "p"))
    lines = [
        f"Refuted: {refuted.name}{' ' * bool(refuted.mode)}{refuted.mode}, {refuted.variant}: "
        f"{refuted.field} is {actual} and should be {expected}",
        f"  {what}at {int(case['pc']):04X}; {state} ({flags})",
    ]
    entry = None if refuted.opcode is None else BY_OPCODE[refuted.opcode]
    facts = []
    if entry and entry.access in ("read", "modify"):
        facts.append(f"operand {int(case['operand']):02X} at {int(case['address']):04X}")
    if refuted.name in ("PLA", "PLP", "RTS", "RTI"):
        facts.append(f"above SP {' '.join(f'{byte:02X}' for byte in case['pulled'])}")
    if refuted.name in ENTRIES:
        facts.append(f"vector {int(case['vector']):04X}")
    facts += [f"{name} {value:X}" for name, value in refuted.beside.items()]
    if facts:
        lines.append(f"  {'; '.join(facts)}")
    chosen = "" if adder == "ripple" else f" --adder {adder}"
    lines.append(
        f"  carrywave prove {refuted.name} --variant {refuted.variant}{chosen} --vcd FILE.vcd "
        "writes what the hardware does there"
    )
    return "\n".join(lines)
