"""The command `netlist`."""

import click
from rich.console import Console

from ..netlist import ADDERS
from ..netlist.cost import measure, place
from ..netlist.report import draw_adders, draw_cost
from ..netlist.synthesis import NetlistError, export, module_of
from ..netlist.verilog import export_verilog
from .options import json_option, variant_option
from .outputs import OutputType, WritingCommand
from .terminal import console, print_json


@click.command("netlist", WritingCommand)
@click.option("-o", "--output", metavar="FILE", type=OutputType(),
              help="Write the gates: Verilog (.v), RTLIL (.il) or Yosys JSON (.json).")  # fmt: skip
@click.option(
    "--verilog",
    metavar="FILE",
    type=OutputType(),
    help="Write the unit as Verilog to read and to build upon.",
)
@variant_option
@click.option(
    "--adder", type=click.Choice((*ADDERS, "all")), default="ripple", show_default=True,
    help="The form of the ALU's adder; 'all' sets them side by side.",
)  # fmt: skip
@json_option
def command(
    output: str | None, verilog: str | None, variant: str, adder: str, as_json: bool
) -> None:
    """Show what the unit costs in gates, and write them for other tools.

    The gates are those that are drawn, with every carry, flag and register by name; in FILE the
    module is unit_nmos, or the variant's. With --verilog it is the RTL, with a clock enable
    (ready) for memory that takes its time and the registers as ports. With the extra
    carrywave[fpga], also what the unit takes of an iCE40 part. Whoever wires a board must follow
    the documents of the makers of its parts.

    \b
    carrywave netlist
    carrywave netlist -o unit.v --variant cmos
    carrywave netlist --verilog unit_nmos.v
    carrywave netlist --adder all
    """
    names = ADDERS if adder == "all" else (adder,)
    if (output or verilog) and len(names) > 1:
        raise click.UsageError("what is written is one unit: name one --adder")
    if verilog and not verilog.endswith(".v"):
        raise NetlistError(f"{verilog}: the name must end in .v")
    with Console(stderr=True).status("Yosys is at work"):
        written = {}
        if output:
            written[output] = export(output, variant, adder)
        if verilog:
            export_verilog(verilog, variant, adder)
            written[verilog] = "Verilog"
        costs = {name: (measure(variant, name), place(variant, name)) for name in names}
    if as_json:
        found = {
            name: {**cost.to_json(), "fpga": fpga and fpga.to_json()}
            for name, (cost, fpga) in costs.items()
        }
        print_json(
            {"adders": found}
            if len(names) > 1
            else {**found[adder], "file": output, **({"verilog": verilog} if verilog else {})}
        )
    else:
        console().print(draw_adders(costs) if len(names) > 1 else draw_cost(*costs[adder]))
        for file, described in written.items():
            click.echo(f"{file}: {described}, module {module_of(variant, adder)}")
