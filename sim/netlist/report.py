"""What the terminal shows of a netlist's cost."""

from collections import Counter
from collections.abc import Mapping

from rich.console import Group, RenderableType
from rich.table import Table
from rich.text import Text

from ..system.tables import plain_table
from .cost import FLIP_FLOP, PART, WITHOUT_FPGA, Cost, Fpga
from .synthesis import KINDS, built_as


def draw_cost(cost: Cost, fpga: Fpga | None) -> RenderableType:
    """The table; at most 80 columns wide."""
    kinds = (*KINDS.values(), "gates", FLIP_FLOP)
    table = plain_table("part", *(f">{k}s" if k == FLIP_FLOP else f">{k}" for k in kinds))
    for part, cells in cost.parts.items():
        counts = _with_sum(cells)
        table.add_row(part, *(f"{counts[kind]}" if counts[kind] else "" for kind in kinds))
    total = _with_sum(cost.total)
    table.add_row("total", *(f"{total[kind]}" for kind in kinds), style="bold")
    lines: list[RenderableType] = [
        Text(f"{built_as(cost.variant, cost.adder)}: the gates as drawn"),
        table,
        Text(f"\nlongest path: {cost.depth} gates, from {cost.start} to {cost.end}"),
        Text(
            f"the ALU's adder: {cost.carry_depths[-1]} gates from its inputs to carry[8], "
            f"{max(cost.carry_depths)} to the last carry\n"
        ),
    ]
    if fpga is None:
        return Group(*lines, Text(WITHOUT_FPGA, "dim"))
    figures = Table.grid(padding=(0, 2, 0, 0))
    figures.add_column()
    figures.add_column(justify="right")
    for row in (
        ("LUTs", fpga.luts, ""),
        ("carry cells", fpga.carry_cells, "the carries are drawn as gates"),
        ("flip-flops", fpga.flip_flops, ""),
        ("logic cells", fpga.logic_cells, f"of {fpga.logic_cells_available}"),
        ("highest clock", fpga.clock_mhz, "MHz between flip-flops"),
        ("inputs", fpga.input_ns, "ns before the clock's edge, the slowest"),
        ("outputs", fpga.output_ns, "ns after it, the slowest"),
    ):
        figures.add_row(*map(str, row))
    estimate = Text(f"{fpga.part}: an estimate, the pins where the placer likes")
    return Group(*lines, estimate, figures)


def draw_adders(costs: Mapping[str, tuple[Cost, Fpga | None]]) -> RenderableType:
    """A row for each adder, by name; at most 80 columns wide."""
    variant = next(cost.variant for cost, _ in costs.values())
    placed = all(fpga for _, fpga in costs.values())
    table = plain_table(
        "the ALU's\nadder", ">gates", ">the\nadder's", ">longest\npath", ">inputs to\ncarry[8]",
        ">to last\ncarry", *([">LUTs", ">highest\nclock, MHz"] * placed), gap=3,
    )  # fmt: skip
    for name, (cost, fpga) in costs.items():
        gates, adder = (_with_sum(c)["gates"] for c in (cost.total, cost.parts["alu.adder"]))
        depths = cost.carry_depths
        figures: list[float] = [gates, adder, cost.depth, depths[-1], max(depths)]
        if placed and fpga is not None:
            figures += [fpga.luts, fpga.clock_mhz]
        table.add_row(name, *map(str, figures))
    estimate = Text(f"{PART}: an estimate, the pins where the placer likes")
    return Group(
        Text(f"{variant}: the gates as drawn, and how many are one after another"),
        table,
        Text(),
        estimate if placed else Text(WITHOUT_FPGA, "dim"),
    )


def _with_sum(counts: Counter[str]) -> Counter[str]:
    return counts + Counter(gates=sum(counts.values()) - counts[FLIP_FLOP])
