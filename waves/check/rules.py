"""What a dump must show: in every clock the chain of an adder, the ALU's result and its flags.

And in a sequence of clocks: the published bus, and what the model leaves behind.
"""

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass
from typing import Any, Final

import numpy as np
import numpy.typing as npt

from carrywave.sim.cases.kinds import lay_reads, symbols_of
from carrywave.sim.cases.layout import CASE, Cases, Outcomes
from carrywave.sim.family.address import Term, join, low, named, number
from carrywave.sim.family.bus_clocks import Clock
from carrywave.sim.family.instructions import BY_OPCODE, ENTRIES, Instruction
from carrywave.sim.family.members import EVENTS
from carrywave.sim.family.status_byte import ALWAYS, FLAG_BITS, FLAG_MASK, FLAGS, LOWEST_FIRST
from carrywave.sim.witness.model import Model, add_decimal, subtract_decimal

from .findings import Window

Array = npt.NDArray[Any]

REGISTERS: Final = {
    "pc": "unit.pc", "a": "unit.a", "x": "unit.x", "y": "unit.y", "sp": "unit.stack.sp",
}  # fmt: skip
BREAK: Final = 0x10  # in a pushed status: 0 where hardware broke in
PC: Final = named("pc", 16)
PULLED: Final = join(named("pull1"), named("pull0"))

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
    instruction = BY_OPCODE[opcode]
    operation, left = ACTIONS.get(instruction.mnemonic, ("PASS", "a"))
    return operation, instruction.mode.operand if left == "m" else left


ACTION: Final = np.array([action_of(opcode) for opcode in range(256)], object).T

# In the clocks that not every sequence has: the ALU's operation, if it is not the opcode's, and the
# byte at its right input, which is not the one on the bus.
OPERATIONS: Final = {"taken": "OFFSET", "crossed": "EXTEND"}
HELD: Final = {"taken": "offset", "crossed": "offset", "decimal": "m"}


def judge_chain(w: Window) -> None:
    """Holds the chain and what follows from it to its inputs."""
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

    # Without a carry chain: bit i gets a carry where the i bits below it make 2**i or more, and a
    # decimal digit gives one where it is above nine.
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
    w: Window, instruction: Instruction, hijacked: bool, members: Array, cut: Array
) -> None:
    """Judges all sequences of one instruction, or of one entry, against the model and the bus.

    `members` are indices into the window's starts; `cut` marks those that reset, or the end of the
    file, cut short. A sequence that is too short is judged as far as it goes. `hijacked`: an NMI
    takes the vector.
    """
    cases, crossed = gather(w, instruction, w.starts[members])
    published = instruction.sequence(w.report.variant)
    within = [clock for clock in published if clock.when != "crossed" or instruction.branches]
    for chosen, clocks in ((crossed, published), (~crossed, within)):
        if chosen.any():
            judge_together(
                w,
                instruction,
                hijacked,
                members[chosen],
                cut[chosen],
                cases[chosen],
                clocks,
                chosen is crossed,
            )


def judge_together(
    w: Window, instruction: Instruction, hijacked: bool, members: Array, cut: Array, cases: Cases,
    clocks: Sequence[Clock], crossed: bool,
) -> None:  # fmt: skip
    """Judges those that have the same clocks, but for the last ones."""
    starts, lengths = w.starts[members], w.starts[members + 1] - w.starts[members]
    outcomes = Model(w.report.variant).execute(cases)
    counts = outcomes["cycles"].astype(np.int64)
    w.must("unit.sync", 0, (starts + lengths)[(lengths < counts) & (cut == 0)], late=1)
    w.must("unit.sync", 1, (starts + counts)[lengths > counts])

    there = len(w["unit.sync"]) - starts  # clocks that the window has of each, and behind it
    ended = (lengths >= counts) & (there > counts)
    judge_state(w, (starts + counts)[ended], outcomes[ended], outcomes["p"][ended], late=1)
    for clock in expected_clocks(
        instruction, w.report.variant, hijacked, cases, outcomes, clocks, crossed
    ):
        number = clock.number
        reached = (number <= lengths) & (number < counts) & (number < there)
        state = {register: cases[register][reached] for register in "axy"}
        state |= {"pc": clock.pc[reached], "sp": clock.sp[reached]}
        late = (number == lengths)[reached]
        judge_state(w, (starts + number)[reached], state, clock.p[reached], late)
        running = reached & (number < lengths)
        judge_clock(w, instruction, clock, (starts + number)[running], running, counts[running])


def judge_state(w: Window, rows: Array, state: Any, p: Array, late: Any) -> None:
    """Holds the registers and the flags to a state."""
    for register, path in REGISTERS.items():
        w.must(path, state[register], rows, late)
    for flag, bit in FLAG_BITS.items():
        w.must(f"unit.status.{flag}", p >> bit & 1, rows, late)


def gather(w: Window, instruction: Instruction, starts: Array) -> tuple[Cases, Array]:
    """The cases that the sequences put to the unit, from its registers and the bytes it read.

    And in which of them an index crosses into another page: a clock more, as published.
    """
    cases = np.zeros(len(starts), CASE)
    for register, path in REGISTERS.items():
        cases[register] = w[path][starts]
    for flag, bit in FLAG_BITS.items():
        cases["p"] |= (w[f"unit.status.{flag}"][starts] << bit).astype(np.uint8)
    if instruction.opcode is None:
        # An IRQ is decided during the instruction before it, and that may be SEI, which sets I: the
        # model is asked for an NMI, which I does not mask, with the vector that was read.
        name = "NMI" if instruction.mnemonic == "IRQ" else instruction.mnemonic
        cases["event"] = EVENTS.index(name)
        instruction = ENTRIES[name]
    columns = {name: cases[name].astype(np.int64) for name in REGISTERS}
    last, at, crossed = len(w["unit.data_in"]) - 1, starts.copy(), np.zeros(len(starts), np.bool_)
    for clock in instruction.sequence(w.report.variant):
        if clock.reads:
            columns[clock.reads] = w["unit.data_in"][np.minimum(at, last)].astype(np.int64)
        if clock.when == "crossed" and not instruction.branches:
            at += crosses(instruction, columns)
        else:
            at += 1
    if instruction.mode.crossing is not None and not instruction.branches:
        crossed = crosses(instruction, columns)
    lay_reads(cases, instruction, columns, w.report.variant)
    return cases, crossed


def crosses(instruction: Instruction, columns: Mapping[str, Array]) -> Array:
    """Where what is added to an address carries into the next page."""
    assert instruction.mode.crossing is not None
    before, after = (page.over(columns) for page in instruction.mode.crossing)
    return np.asarray(before != after)


def pushed_status(p: Array, instruction: Instruction) -> Array:
    """The byte that is pushed for the flags; B is 1 unless hardware breaks in."""
    return p & FLAG_MASK | ALWAYS - BREAK * (instruction.opcode is None)


@dataclass(slots=True)
class Expected:
    """What one clock of a sequence must show, a row a case; None where nothing is claimed."""

    number: int
    address: Any
    pc: Any
    sp: Any
    p: Any
    flags: str  # those that the sequence updates
    write: int = 0
    byte: Any = None  # written
    push: int = 0
    pull: int = 0
    operation: str = ""  # of the ALU, where it is not the opcode's
    left: Any = None  # the ALU's left input, where it is not the opcode's
    right: Any = None  # the ALU's right input, where it is not the bus
    updates: bool | None = None  # in this clock; None: if it is the last


def above_stack(clock: Clock) -> int | None:
    """How far above where SP pointed at first a clock reads or writes; None off the stack."""
    if clock.address is None or clock.address.parts[0] != number(1):
        return None
    place: int = clock.address.over({"sp": 0}) % 256
    return (place ^ 0x80) - 0x80


def expected_clocks(
    instruction: Instruction, variant: str, hijacked: bool, cases: Cases, outcomes: Outcomes,
    clocks: Sequence[Clock], crossed: bool,
) -> Iterator[Expected]:  # fmt: skip
    """Follows the published bus activity from clock to clock."""
    columns = {name: col.astype(np.int64) for name, col in symbols_of(cases, instruction).items()}
    pc: Any = columns["pc"]
    sp, p = columns["sp"], columns["p"]
    code = [PC, PC + 1, PC + 2][: instruction.length]  # where the bytes lie that move PC on
    sums = address_sums(instruction, clocks, crossed)
    moves = None  # the clock in which PC moves past the last byte, if not the one that reads it
    if instruction.index and instruction.mode.crossing is not None:
        moves = next(k for k, (operation, *_) in sums.items() if operation == "OFFSET") + crossed
    enters = "vector.low" in instruction.reads
    flags = instruction.flags + "d" * (enters and variant == "cmos")
    silent = instruction.mnemonic == "RESET"  # it moves SP as an IRQ does, and writes nothing
    if hijacked:
        nmi = ENTRIES["NMI"].sequence(variant)
        clocks = tuple(nmi[k] if c.reads.startswith("vector") else c for k, c in enumerate(clocks))
    writes = 0
    for k, clock in enumerate(clocks):
        address = None if clock.address is None else clock.address.over(columns)
        crosses = instruction.branches and clock.when == "crossed"
        if clock.address == PULLED or crosses:  # PC has moved already
            pc = address
        now = Expected(k, address, pc, sp, p, flags)
        if k in sums:
            now.operation, left, right = sums[k]
            now.left = left.over(columns)
            now.right = None if right is None else right.over(columns)
        elif clock.when != "crossed" or instruction.branches:
            now.operation = OPERATIONS.get(clock.when, "")
            now.right = columns.get(HELD.get(clock.when, ""))
            if now.operation:
                now.left = pc % 256 if clock.when == "taken" else pc // 256
        if clock.writes:
            now.write, now.byte = 1, outcomes["write_value"][:, writes]
            writes += 1
        above = above_stack(clock)
        now.push = int(above is not None and (silent or bool(clock.writes)))
        now.pull = int(k + 1 < len(clocks) and (above_stack(clocks[k + 1]) or 0) > 0)
        put = ENTRIES["IRQ"].sequence(variant)[k].writes if silent else clock.writes
        if put in ("pch", "pcl", "p"):
            now.operation = "PASS"
            now.left = {"pch": pc // 256, "pcl": pc % 256, "p": pushed_status(p, instruction)}[put]
        elif (
            instruction.access == "modify"
            and clock.address == instruction.mode.address
            and not clock.reads
        ):  # the operand that is held: passed on as it was, then changed
            now.operation, now.left = "" if clock.writes == "stored" else "PASS", columns["m"]
        if len(flags) == len(FLAGS):
            now.updates = clock.reads == "pull0"
        yield now
        sp = (sp - now.push + now.pull) % 256
        if now.updates:
            p = outcomes["p"].astype(np.int64)
        if k == moves or ((moves is None or len(code) > 1) and clock.address in code[:1]):
            pc = (pc + 1) % 65536
            del code[0]


def address_sums(
    instruction: Instruction, clocks: Sequence[Clock], crossed: bool
) -> dict[int, tuple[str, Term, Term | None]]:
    """In which clocks the ALU works on an address: the operation and its inputs.

    None stands for the bus. An index is added in the clock before the first one that shows it, a
    carry out of it in that one. Of a pointer, where its high byte lies is known once its low byte
    was read; what that one was is put back in its place when the high byte comes.
    """
    found: dict[int, tuple[str, Term, Term | None]] = {}
    reads = [clock.reads for clock in clocks]
    if ("address.high" in reads and "pointer.low" in reads) or "pointer" in reads:
        k = reads.index("address.low")
        lies = clocks[k].address
        assert lies is not None
        found[k] = "INCREMENT", low(lies), None
        if "x" in instruction.pointer:
            found[k + 1] = "PASS", named("address.low"), None
        elif crossed and clocks[k + 1].discards:
            found[k + 1] = "INCREMENT", named("pointer.high"), None
    if instruction.index:
        index, base = named(instruction.index), named("address.low")
        shown = [
            k for k, clock in enumerate(clocks)
            if clock.when == "crossed"
            or (clock.address is not None and instruction.index in clock.address.names())
            or (clock.address is None and not clock.when)
        ]  # fmt: skip
        added = shown[0] - 1
        found[added] = "OFFSET", index, named("pointer") if "x" in instruction.pointer else base
        if crossed:
            found[added + 1] = "INCREMENT", named("address.high"), None
    return found


def judge_clock(
    w: Window, instruction: Instruction, clock: Expected, rows: Array, running: Array, counts: Array
) -> None:
    """Holds one clock of many sequences to what it must show; `running` selects their cases."""

    def pick(column: Any) -> Any:
        return column[running] if isinstance(column, np.ndarray) else column

    if not len(rows):
        return
    opcode = w["unit.control.opcode"][rows]  # in the first clock still the one before
    w.must("unit.sync", int(clock.number == 0), rows)
    w.must("unit.control.clock_number", clock.number, rows)
    if clock.number:
        opcode = np.full(len(rows), instruction.opcode or 0)
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
            ("p", pushed_status(pick(clock.p), instruction)),
        ):  # fmt: skip
            w.must("unit.alu.a", byte[left == place], rows[left == place])
    right = w["unit.data_in"][rows] if clock.right is None else pick(clock.right)
    w.must("unit.alu.b", right, rows)
    mask = sum(1 << LOWEST_FIRST.index(flag) for flag in clock.flags)
    updates = clock.number == counts - 1 if clock.updates is None else clock.updates
    w.must("unit.status.update", np.where(updates, mask, 0), rows)
