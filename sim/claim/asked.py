"""What a claim may name after an instruction, and every input of it on the whole unit's gates.

Small letters are what the ALU says; capitals are the flags in P as the instruction leaves them, and
before(C) is one as it was. The ALU by itself answers the first, the unit the second.
"""

from collections.abc import Mapping
from typing import Any, Final

import numpy as np
import numpy.typing as npt

from ..cases.kinds import forms_of
from ..family.instructions import Instruction
from ..family.status_byte import FLAG_BITS, FLAGS
from ..netlist.alu_gates import MNEMONICS, Use
from ..op.operation import CHAIN, form_of, lay, takes
from ..witness.gates import Gates
from .expressions import Range

ALU_FLAGS: Final = "nvzc"
IN_P: Final = FLAGS.upper()
BYTE: Final = Range(0, 255)
TRUTH: Final = Range(0, 1)
LOADS: Final = ("LDA", "LDX", "LDY", "PLA")  # of what the register held they take nothing

Column = npt.NDArray[Any]


def vocabulary(mnemonic: str, variant: str = "nmos") -> tuple[dict[str, Range], dict[str, str]]:
    """The names that a claim may use after an instruction; and of others, why it may not."""
    use = MNEMONICS.get(mnemonic)
    names, absent = _of_alu(use, variant) if use else _of_others(mnemonic)
    names |= dict.fromkeys(IN_P, TRUTH)
    if pushes_status(form_of(mnemonic)):
        names["pushed"] = BYTE
    else:
        absent["pushed"] = f"{mnemonic} pushes no status byte: there is no pushed"
    return names, {word: why for word, why in absent.items() if word not in names}


def _of_alu(use: Use, variant: str) -> tuple[dict[str, Range], dict[str, str]]:
    """The names of what an instruction asks of the ALU."""
    name, chain = use.mnemonic, use.operation.name in CHAIN
    absent = {"a": f"{name} works on a byte of memory, which is m: there is no a",
              "m": f"{name} has no byte beside the register: there is no m",
              "x": f"{name} does not work on X", "y": f"{name} does not work on Y",
              "carry_in": f"the carry before has no part in {name}: there is no carry_in; "
                          "before(C) is the flag",
              "decimal": f"decimal mode has no part in {name}: there is no decimal"}  # fmt: skip
    names = {} if use.left == "M" else {"a": BYTE, use.left.lower(): BYTE}
    if use.operand or use.left == "M":
        names["m"] = BYTE
    if use.carry:
        names["carry_in"] = TRUTH
    if use.decimal and variant == "binary":
        absent["decimal"] = "decimal mode is not connected in this variant: leave decimal out"
    elif use.decimal:
        names["decimal"] = TRUTH
    names["r"] = BYTE
    if not chain:
        absent["carry"] = f"{name} does not use the adder: it has no carries"
    for flag in ALU_FLAGS:
        if chain or flag in use.flags:
            names[flag] = TRUTH
        else:
            alone = f"{name} leaves {flag.upper()} alone"
            absent[flag] = f"{alone} and does not use the adder: no {flag}"
    return names, absent


def _of_others(mnemonic: str) -> tuple[dict[str, Range], dict[str, str]]:
    """The names where the ALU has no part: the byte that is moved, and the flags written."""
    register, byte = takes(mnemonic)
    absent = {"a": f"{mnemonic} takes nothing of what a register holds: there is no a",
              "m": f"{mnemonic} reads no byte to work with: there is no m",
              "r": f"{mnemonic} makes no byte: there is no r",
              "x": f"{mnemonic} takes nothing of X", "y": f"{mnemonic} takes nothing of Y",
              "carry": f"{mnemonic} does not use the adder: it has no carries",
              "carry_in": f"C before has no part in {mnemonic}: before(C) is the flag",
              "decimal": f"D before has no part in {mnemonic}: before(D) is the flag"}  # fmt: skip
    names = {}
    if register and mnemonic not in LOADS:
        names = {"a": BYTE, register: BYTE}
    if byte:
        names["m"] = BYTE
    if target_of(form_of(mnemonic)):
        names["r"] = BYTE
    for flag in ALU_FLAGS:
        if flag in form_of(mnemonic).flags:
            names[flag] = TRUTH
        else:
            large = flag.upper()
            absent[flag] = f"{mnemonic} leaves {large} alone: write {large} == before({large})"
    return names, absent


def pushes_status(form: Instruction) -> bool:
    """Whether the status byte is pushed."""
    return any(clock.writes == "p" for clock in form.sequence("nmos"))


def target_of(form: Instruction) -> str:
    """What an instruction that moves a byte leaves it in: a register, "memory", or "" for none."""
    name = form.mnemonic
    if name in LOADS:
        return "a" if name == "PLA" else name[-1].lower()
    if name in ("TAX", "TAY", "TXA", "TYA", "TSX", "TXS"):
        return name[-1].lower().replace("s", "sp")
    return "memory" if form.access == "write" or name == "PHA" else ""


def written_by(mnemonic: str) -> str:
    """The flags, of "nvzc", that an instruction takes from the ALU or writes otherwise."""
    use = MNEMONICS.get(mnemonic)
    return use.flags if use else "".join(f for f in ALU_FLAGS if f in form_of(mnemonic).flags)


def inputs_of(mnemonic: str) -> dict[str, Column]:
    """Every input, as far as the instruction heeds it, where the ALU has no part in it."""
    names = _of_others(mnemonic)[0]
    count = 1 << 8 * sum(name in names for name in "am")
    rows = np.arange(count, dtype=np.uint32)
    m = (rows & 255 if "m" in names else rows & 0).astype(np.uint8)
    a = (rows >> 8 * ("m" in names) & 255 if "a" in names else rows & 0).astype(np.uint8)
    nothing = np.zeros(count, np.uint8)
    return {"a": a, "m": m, "carry_in": nothing, "decimal": nothing}


def on_the_unit(
    mnemonic: str, variant: str, inputs: Mapping[str, Column], flags: str
) -> dict[str, Column]:
    """All columns of P before and after, of `inputs` for each value of the `flags` before.

    `inputs` are a, m, carry_in and decimal; the flags, in capitals, vary around them, the first of
    the rows with all of them 0. Raises NetlistError.
    """
    form = form_of(mnemonic)
    register, _ = takes(mnemonic)
    rows = len(inputs["m"])
    columns = {name: np.tile(column, 1 << len(flags)) for name, column in inputs.items()}
    each = np.arange(rows << len(flags)) // rows
    before: dict[str, Column] = {flag: np.zeros(len(each), np.uint8) for flag in FLAGS}
    before["c"], before["d"] = columns["carry_in"], columns["decimal"]
    for i, flag in enumerate(flags.lower()):
        before[flag] = (each >> i & 1).astype(np.uint8)
    p = sum(before[flag].astype(np.int32) << bit for flag, bit in FLAG_BITS.items()) + 0x30
    left = columns["a"].astype(np.int32) if register else 0
    cases, _ = lay(form, left, columns["m"].astype(np.int32), p, variant)
    outcomes = Gates(variant).execute(cases)
    after = outcomes["p"]
    columns |= {f"before({flag.upper()})": column for flag, column in before.items()}
    columns |= {flag.upper(): after >> bit & 1 for flag, bit in FLAG_BITS.items()}
    if mnemonic not in MNEMONICS:
        columns |= {flag: columns[flag.upper()] for flag in written_by(mnemonic)}
        target = target_of(form)
        if target:
            columns["r"] = outcomes["write_value"][:, 0] if target == "memory" else outcomes[target]
        if register and mnemonic not in LOADS:
            columns[register] = columns["a"]
    if pushes_status(form):
        columns["pushed"] = outcomes["write_value"][
            np.arange(len(cases)), outcomes["writes"].astype(int) - 1
        ]
    return columns


def known(mnemonic: str) -> bool:
    """Whether a mnemonic or an event can be asked about: all but reset."""
    return mnemonic != "RESET" and bool(forms_of(mnemonic))
