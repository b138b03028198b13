"""The command `prove`."""

from functools import partial

import click

from .options import PROVED, SecondsType, adder_option, json_option, variants_option
from .outputs import OutputType, WritingCommand
from .terminal import conclude, needing, progress_bar, write_files


@click.command("prove", WritingCommand)
@click.argument("names", metavar="[MNEMONIC]...", nargs=-1, type=PROVED)
@variants_option
@click.option("--timeout", type=SecondsType(), default=60.0,
              show_default=True, metavar="SECONDS",
              help="For one question to the solver; what takes longer is not proved.")  # fmt: skip
@click.option("--vcd", type=OutputType(),
              help="Write the first state that refutes something as a waveform.")  # fmt: skip
@adder_option
@json_option
def command(
    names: tuple[str, ...], variant: str, timeout: float, vcd: str | None, adder: str,
    as_json: bool,
) -> None:  # fmt: skip
    """Prove that the gates follow the specification, in every state.

    All instructions, or those named; IRQ, NMI and RESET are names too, and so are POWER-UP and
    STOPPED (by an undocumented opcode). Registers, flags, stack, stores, clocks and the bus are
    proved with every register, flag and byte unknown, against terms of SMT-LIB; and the optimised
    netlist is proved to be the drawn one.

    \b
    carrywave prove --variant all
    carrywave prove ADC SBC --variant cmos --json
    """
    with needing("prove", z3="proof"):
        from carrywave.waves.vcd.recorded import write_refuted

        from ..prove.proving import proof_size
        from ..prove.proving import prove as prove_rows
        from ..prove.report import draw_proof
    with progress_bar("proofs", proof_size(variant, names)) as progress:
        report = prove_rows(variant, names, progress, timeout=timeout, adder=adder)
    shown = report.first if report.first and report.first.runs else None
    if vcd and shown:
        write_files({vcd: partial(write_refuted, shown, adder=adder)})
    told = f"{vcd}: {'written' if shown else 'nothing to write'}" if vcd else ""
    conclude(report, as_json, lambda screen: draw_proof(report, screen), told)
