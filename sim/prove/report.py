"""The report of a proof."""

from itertools import chain

from rich.console import Console
from rich.text import Text

from ..cases.kinds import code_of, facts_of
from ..family.status_byte import FLAG_BITS
from ..netlist.synthesis import built_as
from ..system.tables import plain_table
from .prover import Refuted
from .proving import ProofReport, RowProof


def draw_proof(report: ProofReport, console: Console) -> None:
    """A table of all rows, and the first property that does not hold, in full."""
    variants = list(report.variants.values())
    open_too = any(one.total.unproved for one in variants)
    headings = [">properties", ">refuted", *([">unproved"] * open_too), ">seconds"]
    if len(variants) > 1:
        headings = [f">{one.variant}\nproved" for one in variants]
    table = plain_table("instruction", "opcodes", *headings)

    def cells(row: RowProof) -> list[Text]:
        counts = [len(row.refuted), *([row.unproved] * open_too)]
        if len(variants) > 1:
            proved = row.properties - sum(counts)
            whole = row.properties and proved == row.properties
            return [Text(f"{proved:,} of {row.properties:,}", "" if whole else "bold red")]
        return [
            Text(f"{row.properties:,}", "" if row.properties else "bold red"),
            *(Text(f"{count:,}", "bold red" if count else "") for count in counts),
            Text(f"{row.seconds:.1f}"),
        ]

    for name, row in variants[0].rows.items():
        opcodes = " ".join(f"{opcode:02X}" for opcode in row.opcodes)
        table.add_row(name, opcodes, *chain(*(cells(one.rows[name]) for one in variants)))
    table.add_section()
    count, totals = len(variants[0].total.opcodes), (cells(one.total) for one in variants)
    table.add_row("all", str(count), *chain(*totals), style="bold")
    console.print(table)
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
    case, instruction = refuted.case, refuted.instruction
    digits = max(1, (refuted.width + 3) // 4)
    expected, actual = (f"{value:0{digits}X}" for value in (refuted.expected, refuted.actual))
    flags = "".join(f.upper() if case["p"] >> bit & 1 else f for f, bit in FLAG_BITS.items())
    state = " ".join(f"{name.upper()} {int(case[name]):02X}" for name in ("a", "x", "y", "sp", "p"))
    lines = [
        f"Refuted: {instruction}, {refuted.variant}: "
        f"{refuted.field} is {actual} and should be {expected}",
        f"  {f'{code_of(case)} at'.lstrip() if refuted.runs else 'PC'} {int(case['pc']):04X}; "
        f"{state} ({flags})",
    ]
    facts = facts_of(case) if refuted.runs else []
    facts += [f"{name} {value:X}" for name, value in refuted.beside.items()]
    if facts:
        lines.append(f"  {'; '.join(facts)}")
    if not refuted.runs:
        return "\n".join(lines)
    chosen = "" if adder == "ripple" else f" --adder {adder}"
    lines.append(
        f"  carrywave prove {instruction.mnemonic} --variant {refuted.variant}{chosen} "
        "--vcd FILE.vcd writes what the hardware does there"
    )
    return "\n".join(lines)
