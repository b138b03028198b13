"""The rules that a dump is held to."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from typing import Any, Final

import numpy as np
import numpy.typing as npt

from carrywave.sim.cases.layout import CASE, Cases, Outcomes
from carrywave.sim.family.instructions import BY_OPCODE, bus_activity
from carrywave.sim.family.members import EVENTS
from carrywave.sim.family.status import FLAG_BITS
from carrywave.sim.witness.model import Model, add_decimal, subtract_decimal

from ..vcd.signals import FLAGS
from .findings import Window

__all__ = ["judge_alike", "judge_clocks"]

Array = npt.NDArray[Any]
Activity = tuple[tuple[str, str, str], ...]

REGISTERS: Final = {
    "pc": "unit.pc", "a": "unit.a", "x": "unit.x", "y": "unit.y", "sp": "unit.stack.sp",
}  # fmt: skip
SILENT: Final = {"s": "pch", "s-1": "pcl", "s-2": "p"}  # what reset would push
VECTORS: Final = {"BRK": 0xFFFE, "IRQ": 0xFFFE, "NMI": 0xFFFA, "RESET": 0xFFFC}

# The ALU's operation and its left input, in every clock that has no other use for it; "m" is the
# operand, which the unit holds from the clock after it was read. Other mnemonics pass A.
ACTIONS: Final = {
    "ADC": ("ADD", "a"), "SBC": ("SUBTRACT", "a"), "BIT": ("BIT", "a"),
    "AND": ("AND", "a"), "ORA": ("OR", "a"), "EOR": ("XOR", "a"),
    "CMP": ("COMPARE", "a"), "CPX": ("COMPARE", "x"), "CPY": ("COMPARE", "y"),
    "INX": ("INCREMENT", "x"), "INY": ("INCREMENT", "y"), "INC": ("INCREMENT", "m"),
    "DEX": ("DECREMENT", "x"), "DEY": ("DECREMENT", "y"), "DEC": ("DECREMENT", "m"),
    "ASL": ("SHIFT_LEFT", "m"), "ROL": ("ROTATE_LEFT", "m"),
    "LSR": ("SHIFT_RIGHT", "m"), "ROR": ("ROTATE_RIGHT", "m"),
    "LDA": ("PASS", "bus"), "LDX": ("PASS", "bus"), "LDY": ("PASS", "bus"), "PLA": ("PASS", "bus"),
    "STX": ("PASS", "x"), "STY": ("PASS", "y"), "TXA": ("PASS", "x"), "TXS": ("PASS", "x"),
    "TYA": ("PASS", "y"), "TSX": ("PASS", "sp"), "PHP": ("PASS", "p"),
}  # fmt: skip


def action_of(opcode: int) -> tuple[str, str]:
    """What ACTIONS says of an opcode; of one outside the documented set nothing is claimed."""
    if opcode not in BY_OPCODE:
        return "", ""
    entry = BY_OPCODE[opcode]
    operation, left = ACTIONS.get(entry.mnemonic, ("PASS", "a"))
    return operation, "a" if entry.mode == "accumulator" else left


ACTION: Final = np.array([action_of(opcode) for opcode in range(256)], object).T


def judge_clocks(w: Window) -> None:
    """What must hold in every clock by itself: the chain, the ALU's result, and its flags."""
    operation, a, b = (w[f"unit.alu.{name}"] for name in ("operation", "a", "b"))
    carry_flag, decimal_flag = w["unit.status.c"], w["unit.status.d"]
    w.must("unit.variant", w.report.variant)

    operand, carry_in = b, np.zeros_like(b)
    for name, second, comes_in in (
        ("ADD", b, carry_flag), ("SUBTRACT", 255 - b, carry_flag), ("COMPARE", 255 - b, 1),
        ("SHIFT_LEFT", a, 0), ("ROTATE_LEFT", a, carry_flag), ("INCREMENT", 0, 1),
        ("DECREMENT", 255, 0), ("EXTEND", np.where(b > 127, 255, 0), np.where(b > 127, 0, 1)),
    ):  # fmt: skip
        chosen = operation == name
        operand, carry_in = np.where(chosen, second, operand), np.where(chosen, comes_in, carry_in)
    w.must("unit.alu.operand", operand)

    # A carry into bit i is what the i bits below it are too large by; a decimal digit holds nine.
    decimal = (decimal_flag == 1) & (w.report.variant != "binary")
    tens = decimal & (operation == "ADD")
    low = a % 16 + operand % 16 + carry_in
    half = np.where(tens, low > 9, low > 15).astype(np.int64)
    high = a // 16 + operand // 16 + half
    carries = [(a % 2**i + operand % 2**i + carry_in) >> i for i in range(4)]
    carries += [(a // 16 % 2**i + operand // 16 % 2**i + half) >> i for i in range(5)]
    w.must("unit.alu.carry", sum(carry << i for i, carry in enumerate(carries)))
    for i, carry in enumerate(carries):
        w.must(f"unit.alu.c{i}", carry)
    w.must("unit.alu.propagate", a ^ operand)
    w.must("unit.alu.generate", a & operand)
    total = low % 16 + 16 * (high % 16)
    w.must("unit.alu.sum", total)

    decimal_sum, decimal_carry, _, _ = add_decimal(a, b, carry_flag)
    differences = decimal & (operation == "SUBTRACT")
    cmos = w.report.variant == "cmos"
    result, carry = total, carries[8]
    for chosen, value in (
        (operation == "PASS", a), ((operation == "AND") | (operation == "BIT"), a & b),
        (operation == "OR", a | b), (operation == "XOR", a ^ b),
        (operation == "SHIFT_RIGHT", a // 2),
        (operation == "ROTATE_RIGHT", a // 2 + 128 * carry_flag), (tens, decimal_sum),
        (differences, subtract_decimal(a, b, carry_flag, cmos)),
    ):  # fmt: skip
        result = np.where(chosen, value, result)
    w.must("unit.alu.result", result)
    w.must("unit.data_out", result)
    right = (operation == "SHIFT_RIGHT") | (operation == "ROTATE_RIGHT")
    carry = np.where(tens, decimal_carry, np.where(right, a % 2, carry))
    judged = np.where((tens | differences) & (not cmos), total, result)
    bit = operation == "BIT"
    w.must("unit.alu.c", carry)
    w.must("unit.alu.v", np.where(bit, b // 64 % 2, carries[8] ^ carries[7]))
    w.must("unit.alu.n", np.where(bit, b, judged) // 128)
    w.must("unit.alu.z", judged == 0)


def judge_alike(
    w: Window, name: str, mode: str, hijacked: bool, members: Array, cut: Array
) -> None:
    """Judges all sequences of one instruction, or one event, against the model and the bus table.

    `members` are indices into the window's starts; `cut` marks those that reset, or the end of the
    file, cut short. A sequence that is too short is judged as far as it goes.
    """
    starts, lengths = w.starts[members], w.starts[members + 1] - w.starts[members]
    activity = bus_activity(name, mode)
    cases = gather(w, name, mode, starts, activity)
    outcomes = Model(w.report.variant).execute(cases)
    cycles = outcomes["cycles"].astype(np.int64)
    w.must("unit.sync", 0, (starts + lengths)[(lengths < cycles) & (cut == 0)], late=1)
    w.must("unit.sync", 1, (starts + cycles)[lengths > cycles])

    there = len(w["unit.sync"]) - starts  # clocks that the window has of each, and behind it
    ended = (lengths >= cycles) & (there > cycles)
    judge_state(w, (starts + cycles)[ended], outcomes[ended], outcomes["p"][ended], late=1)
    for clock in expected_clocks(name, mode, w.report.variant, hijacked, activity, cases, outcomes):
        number = clock.number
        reached = (number <= lengths) & (number < cycles) & (number < there)
        state = {register: cases[register][reached] for register in "axy"}
        state |= {"pc": clock.pc[reached], "sp": clock.sp[reached]}
        late = (number == lengths)[reached]
        judge_state(w, (starts + number)[reached], state, clock.p[reached], late)
        running = reached & (number < lengths)
        judge_clock(w, clock, (starts + number)[running], running, cycles[running])


def judge_state(w: Window, rows: Array, state: Any, p: Array, late: Any) -> None:
    """Holds the registers and the flags to a state."""
    for register, path in REGISTERS.items():
        w.must(path, state[register], rows, late)
    for flag, bit in FLAG_BITS.items():
        w.must(f"unit.status.{flag}", p >> bit & 1, rows, late)


def gather(w: Window, name: str, mode: str, starts: Array, activity: Activity) -> Cases:
    """The cases that the sequences put to the unit, from its registers and the bytes it read."""
    cases = np.zeros(len(starts), CASE)
    for register, path in REGISTERS.items():
        cases[register] = w[path][starts]
    for flag, bit in FLAG_BITS.items():
        cases["p"] |= (w[f"unit.status.{flag}"][starts] << bit).astype(np.uint8)
    if name in EVENTS:
        # Whether an IRQ is heard was judged before it began, and SEI may have set I since: to the
        # model it is an NMI, which nothing masks, with the vector that was read.
        cases["event"] = EVENTS.index("NMI" if name == "IRQ" else name)
    code = pulls = 0
    last = len(w["unit.data_in"]) - 1
    for k, (kind, place, byte) in enumerate(activity):
        read = w["unit.data_in"][np.minimum(starts + k, last)]
        if byte == "op" or (place == "n" and byte != "d"):
            cases["bytes"][:, code] = read
            code += 1
        elif place in ("FA", "FC", "FE"):
            cases["vector"] = read
        elif place in ("FB", "FD", "FF"):
            cases["vector"] += (256 * read).astype(np.uint16)
        elif kind == "R" and place == "ea":
            cases["operand"] = read
        elif kind == "R" and place.startswith("s+"):
            cases["pulled"][:, pulls] = read
            pulls += 1
    cases["length"] = code
    if mode == "zero page":
        cases["address"] = cases["bytes"][:, 1]
    elif mode == "absolute":
        cases["address"] = cases["bytes"][:, 1] + 256 * cases["bytes"][:, 2].astype(np.uint16)
    return cases


def pushed_status(p: Array, hardware: Any) -> Array:
    """The byte that is pushed for the flags; B is 1 unless hardware breaks in."""
    return p & 0xCF | np.where(hardware, 0x20, 0x30)


@dataclass(slots=True)
class Expected:
    """What one clock of a sequence must show, a row a case; None where nothing is claimed."""

    number: int
    address: Any
    pc: Any
    sp: Any
    p: Any
    cases: Cases
    write: int = 0
    byte: Any = None  # written
    push: int = 0
    pull: int = 0
    operation: str = ""  # of the ALU, where it is not the opcode's
    left: Any = None  # the ALU's left input, where it is not the opcode's
    right: Any = None  # the ALU's right input, where it is not the bus
    flags: str = ""  # those that the sequence updates
    updates: bool | None = None  # in this clock; None: if it is the last


def expected_clocks(
    name: str, mode: str, variant: str, hijacked: bool,
    activity: Activity, cases: Cases, outcomes: Outcomes,
) -> Iterator[Expected]:  # fmt: skip
    """Follows the published bus activity from clock to clock."""
    pc, sp, p = (cases[name].astype(np.int64) for name in ("pc", "sp", "p"))
    start, top, code, pushes = pc, sp, 1, 0
    pulled = cases["pulled"].astype(np.int64)
    flags = "i" + "d" * (variant == "cmos")
    if name not in (*EVENTS, "BRK"):
        flags = BY_OPCODE[int(cases["bytes"][0, 0])].flags
    modifies = ("W", "ea", "value") in activity
    for k, (kind, place, byte) in enumerate(activity):
        clock = Expected(k, None, pc, sp, p, cases, flags=flags)
        if place == "pc":
            clock.address = start
        elif place == "n":
            clock.address = (start + code) % 65536
        elif place == "ea":
            clock.address = cases["address"]
        elif place == "pulled":
            clock.address = pulled[:, 0] + 256 * pulled[:, 1]
        elif place[0] == "s":
            clock.address = 256 + (top + int(place[1:] or 0)) % 256
        else:
            vector = VECTORS["NMI" if hijacked else name]
            clock.address = vector + int(place, 16) % 2
        if kind == "W" and not (byte == "value" and variant == "cmos"):
            clock.write = 1
            if place == "ea":
                clock.byte = cases["operand"] if byte == "value" else outcomes["stored"]
            else:
                clock.byte = outcomes["pushed"][:, pushes]
                pushes += 1
        clock.push = int(place[0] == "s" and (kind == "W" or name == "RESET"))
        put = SILENT.get(place, byte) if name == "RESET" else byte
        if clock.push and put in ("pch", "pcl", "p"):
            clock.operation = "PASS"
            status = pushed_status(p, name in EVENTS)
            clock.left = {"pch": pc // 256, "pcl": pc % 256, "p": status}[put]
        elif modifies and kind == "W":
            clock.operation, clock.left = "PASS" if byte == "value" else "", cases["operand"]
        clock.pull = int(k + 1 < len(activity) and activity[k + 1][1].startswith("s+"))
        clock.updates = byte == "p" if name == "RTI" else None
        yield clock
        sp = (sp - clock.push + clock.pull) % 256
        if clock.updates:
            p = outcomes["p"].astype(np.int64)
        if byte == "op" or (place == "n" and (byte != "d" or name == "BRK")):
            pc = (pc + 1) % 65536
        if place == "n" and byte != "d":
            code += 1
        if name == "RTS" and byte == "pch":
            pc = pulled[:, 0] + 256 * pulled[:, 1]

    k = len(activity)
    if mode == "relative":
        offset = cases["bytes"][:, 1].astype(np.int64)
        target = (pc + np.where(offset > 127, offset - 256, offset)) % 65536
        clock = Expected(k, pc, pc, sp, p, cases, flags=flags)
        clock.operation, clock.left, clock.right = "OFFSET", pc % 256, offset
        yield clock
        pc = pc - pc % 256 + target % 256
        clock = Expected(k + 1, pc, pc, sp, p, cases, flags=flags)
        clock.operation, clock.left, clock.right = "EXTEND", pc // 256, offset
        yield clock
    elif variant == "cmos" and name in ("ADC", "SBC"):
        operand = cases["bytes"][:, 1] if mode == "immediate" else cases["operand"]
        yield Expected(k, None, pc, sp, p, cases, right=operand, flags=flags)


def judge_clock(w: Window, clock: Expected, rows: Array, running: Array, cycles: Array) -> None:
    """Holds one clock of many sequences to what it must show; `running` selects their cases."""

    def pick(column: Any) -> Any:
        return column[running] if isinstance(column, np.ndarray) else column

    if not len(rows):
        return
    event = pick(clock.cases["event"] > 0)
    opcode = w["unit.control.opcode"][rows]  # in the first clock still the one before
    w.must("unit.sync", int(clock.number == 0), rows)
    w.must("unit.control.clock_number", clock.number, rows)
    if clock.number:
        opcode = np.where(event, 0, pick(clock.cases["bytes"][:, 0]))
        w.must("unit.control.opcode", opcode, rows)
    if clock.address is not None:
        w.must("unit.address", pick(clock.address), rows)
    # Reset stops a write in its own clock.
    w.must("unit.write", clock.write & w["unit.reset_n"][rows], rows)
    if clock.write:
        w.must("unit.data_out", pick(clock.byte), rows)
    w.must("unit.stack.push", clock.push, rows)
    w.must("unit.stack.pull", clock.pull, rows)

    operation, left = ACTION[:, opcode]
    known = operation != ""
    w.must("unit.alu.operation", clock.operation or operation[known], rows[known])
    if clock.left is not None:
        w.must("unit.alu.a", pick(clock.left), rows)
    else:
        for place, byte in (
            ("a", w["unit.a"][rows]), ("x", w["unit.x"][rows]), ("y", w["unit.y"][rows]),
            ("sp", w["unit.stack.sp"][rows]), ("bus", w["unit.data_in"][rows]),
            ("p", pushed_status(pick(clock.p), event)),
        ):  # fmt: skip
            w.must("unit.alu.a", byte[left == place], rows[left == place])
    right = w["unit.data_in"][rows] if clock.right is None else pick(clock.right)
    w.must("unit.alu.b", right, rows)
    mask = sum(1 << len(FLAGS) - 1 - FLAGS.index(flag) for flag in clock.flags)
    updates = clock.number == cycles - 1 if clock.updates is None else clock.updates
    w.must("unit.status.update", np.where(updates, mask, 0), rows)
