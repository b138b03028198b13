"""The model: what each instruction does, in plain arithmetic.

Results come out of sums, ranges and signs, never out of a carry chain; nothing here knows the
hardware. Every function works on whole NumPy columns and on single numbers alike.
"""

from __future__ import annotations

import copy
from typing import Any, Final

import numpy as np

from ..cases.kinds import BY_KEY, Symbols, alike, keys_of
from ..cases.layout import OUTCOME, Cases, Outcomes, unnamed
from ..family.instructions import Instruction, standing
from ..family.members import VARIANTS
from ..family.status_byte import flags_of, status_of

# A column of integers, or one integer.
Column = Any


def signed(byte: Column) -> Column:
    """Reads a byte as two's complement: -128 to 127."""
    return np.where(byte > 127, byte - 256, byte)


class State:
    """The registers, flags and effects of many cases at once, a column each (flags are 0 or 1)."""

    a: Column
    x: Column
    y: Column
    sp: Column
    pc: Column
    n: Column
    v: Column
    d: Column
    i: Column
    z: Column
    c: Column
    m: Column  # the operand: immediate, in memory, or in A
    place: str  # "m", or "a" where the operand is there
    argument: Column  # what stands behind the opcode: an address or a branch's offset
    pointer: Column  # where a pointer in page zero lies, before an index
    pulled: list[Column]
    vector: Column
    cycles: Column
    crossed: Column  # an index crosses into another page
    instruction: Instruction | None = None

    def __init__(self, **columns: Column) -> None:
        """Takes columns by name; what is not given is absent until set."""
        self.pulled = []
        self.__dict__.update(columns)
        self.stored: Column | None = None
        self.pushed: list[Column] = []
        self.push_address: list[Column] = []

    def copy(self) -> State:
        """The same columns under new names: setting one leaves the other's alone."""
        twin = copy.copy(self)
        twin.pushed, twin.push_address = list(self.pushed), list(self.push_address)
        twin.pulled = list(self.pulled)
        return twin

    def status(self, software: int) -> Column:
        """The byte pushed for the flags: bit 5 is 1, bit 4 (B) tells software from interrupts."""
        return status_of(self.__dict__) - 16 * (1 - software)

    def load_status(self, byte: Column) -> None:
        """Takes the six flags from a byte; bits 4 and 5 have no place to go."""
        self.__dict__.update(flags_of(byte))

    def judge(self, byte: Column) -> None:
        """N: negative in two's complement. Z: zero."""
        self.n, self.z = flag(signed(byte) < 0), flag(byte == 0)

    def push(self, byte: Column) -> None:
        """Writes at 0100 + SP, then lowers SP within its page."""
        self.pushed.append(byte)
        self.push_address.append(256 + self.sp)
        self.sp = (self.sp - 1) % 256

    def pull(self) -> Column:
        """Raises SP within its page, then reads the next byte above."""
        self.sp = (self.sp + 1) % 256
        return self.pulled.pop(0)


def flag(condition: Column) -> Column:
    """A truth as 0 or 1, narrow so that columns of it stay small."""
    return np.where(condition, np.int16(1), np.int16(0))


def add(a: Column, m: Column, carry: Column) -> tuple[Column, Column, Column]:
    """Sum of two bytes and a carry: the byte, C (too large unsigned), V (out of range signed)."""
    total = a + m + carry
    value = signed(a) + signed(m) + carry
    return total % 256, flag(total > 255), flag((value < -128) | (value > 127))


def subtract(a: Column, m: Column, carry: Column) -> tuple[Column, Column, Column]:
    """Difference of two bytes, less one unless C: the byte, C (no borrow was needed) and V."""
    borrow = 1 - carry
    total = a - m - borrow
    value = signed(a) - signed(m) - borrow
    return total % 256, flag(total >= 0), flag((value < -128) | (value > 127))


def add_decimal(a: Column, m: Column, carry: Column) -> tuple[Column, Column, Column, Column]:
    """Packed-decimal sum: the byte, C, and N and V of the half-corrected sum.

    B. Clark, 'Decimal Mode', from memory. For digits above 9 the makers define nothing.
    """
    low = a % 16 + m % 16 + carry
    low = np.where(low >= 10, (low + 6) % 16 + 16, low)
    total = (a - a % 16) + (m - m % 16) + low
    value = signed(a - a % 16) + signed(m - m % 16) + low
    n, v = flag(total % 256 > 127), flag((value < -128) | (value > 127))
    total = np.where(total >= 0xA0, total + 0x60, total)
    return total % 256, flag(total > 255), n, v


def subtract_decimal(a: Column, m: Column, carry: Column, cmos: bool) -> Column:
    """Packed-decimal difference: the byte. C, V and, on NMOS, N and Z are the binary difference's.

    The members differ where a digit is above 9, for which the makers define nothing.
    """
    low = a % 16 - m % 16 + carry - 1
    if cmos:
        total = a - m + carry - 1
        total = np.where(total < 0, total - 0x60, total)
        return np.where(low < 0, total - 6, total) % 256
    total = (a - a % 16) - (m - m % 16) + np.where(low < 0, (low - 6) % 16 - 16, low)
    return np.where(total < 0, total - 0x60, total) % 256


class Model:
    """The witness that answers from arithmetic.

    `variant` is "nmos", "cmos" or "binary". A family of mnemonics is a method; a mnemonic's entry
    in `FAMILIES` names its method and what the method is told.
    """

    def __init__(self, variant: str = "nmos") -> None:
        """Raises ValueError for an unknown variant."""
        if variant not in VARIANTS:
            raise ValueError(f"variant {variant!r}: expected one of {', '.join(VARIANTS)}")
        self.variant = variant

    def execute(self, cases: Cases) -> Outcomes:
        """Answers each case. Raises ValueError if one has an opcode that is not built."""
        cases = np.asarray(cases)
        flat = cases.reshape(-1)
        outcomes = np.zeros(flat.shape, OUTCOME)
        for key, rows in alike(keys_of(flat)):
            if key not in BY_KEY:
                raise ValueError(f"opcode {key:02X}: {standing(key, self.variant)}")
            if len(rows) == len(flat):
                outcomes = self._execute_alike(flat, BY_KEY[key])
            else:
                answer = self._execute_alike(flat.take(rows), BY_KEY[key])
                unnamed(outcomes)[rows] = unnamed(answer)
        return outcomes.reshape(cases.shape)

    def _execute_alike(self, cases: Cases, instruction: Instruction) -> Outcomes:
        byte, word = (Symbols(cases, instruction, kind) for kind in (np.int16, np.int32))
        nothing = np.int32(0)

        def pair(low: str, high: str) -> Column:
            """Two of the bytes that are read, as far as the instruction reads them."""
            one, other = (word[name] if name in word.places else nothing for name in (low, high))
            return one + 256 * other

        state = State(
            **{name: byte[name] for name in ("a", "x", "y", "sp")},
            pc=(word["pc"] + instruction.length) % 65536,
            argument=pair("offset" if instruction.branches else "address.low", "address.high"),
            pointer=pair("pointer", ""),
            pulled=[word[f"pull{i}"] for i in range(instruction.pulls)],
            vector=pair("vector.low", "vector.high"),
        )
        state.load_status(byte["p"])
        state.instruction, state.crossed = instruction, nothing
        if instruction.index and instruction.mode.crossing is not None:
            before, after = (page.over(word) for page in instruction.mode.crossing)
            state.crossed = flag(before != after)
        state.cycles = instruction.clocks_on(self.variant)
        if instruction.pays_for_crossing(self.variant):
            state.cycles = state.cycles + state.crossed
        state.place = instruction.mode.operand
        if state.place == "a" or state.place in byte.places:
            state.m = byte[state.place]
        self.perform(instruction.mnemonic, state)

        outcomes = np.zeros(len(cases), OUTCOME)
        for register in ("pc", "a", "x", "y", "sp", "cycles"):
            outcomes[register] = getattr(state, register)
        outcomes["p"] = state.status(1)
        writes = list(zip(state.push_address, state.pushed, strict=True))
        if state.stored is not None:
            assert instruction.mode.address is not None
            where = instruction.mode.address.over(word)
            if instruction.access == "modify" and self.variant != "cmos":
                writes.append((where, state.m))
            writes.append((where, state.stored))
        outcomes["writes"] = len(writes)
        for i, (address, value) in enumerate(writes):
            outcomes["write_address"][:, i], outcomes["write_value"][:, i] = address, value
        return outcomes

    def perform(self, name: str, s: State) -> None:
        """Changes the state as a mnemonic or an event does.

        `s.pc` is already past the instruction's bytes, and `s.cycles` what its table gives.
        """
        family, *told = FAMILIES[name]
        getattr(self, family)(s, *told)

    # Arithmetic

    def adc(self, s: State) -> None:
        """A + M + C."""
        a, carry_in, decimal = s.a, s.c, self._decimal(s)
        s.a, s.c, s.v = add(a, s.m, carry_in)
        s.judge(s.a)
        if decimal is not None:
            result, carry, n, v = add_decimal(a, s.m, carry_in)
            s.a, s.c = np.where(decimal, result, s.a), np.where(decimal, carry, s.c)
            s.v = np.where(decimal, v, s.v)
            if self.variant == "cmos":
                s.judge(s.a)
                s.cycles = s.cycles + decimal
            else:
                s.n = np.where(decimal, n, s.n)

    def sbc(self, s: State) -> None:
        """A - M, less one unless C."""
        a, carry_in, decimal = s.a, s.c, self._decimal(s)
        s.a, s.c, s.v = subtract(a, s.m, carry_in)
        s.judge(s.a)
        if decimal is not None:
            cmos = self.variant == "cmos"
            s.a = np.where(decimal, subtract_decimal(a, s.m, carry_in, cmos), s.a)
            if cmos:
                s.judge(s.a)
                s.cycles = s.cycles + decimal

    def _decimal(self, s: State) -> Column | None:
        """D where decimal mode is connected; None if no case of these is decimal."""
        return None if self.variant == "binary" or not np.any(s.d) else s.d

    def compare(self, s: State, register: str) -> None:
        """The flags of register - M, always binary, with no borrow coming in."""
        difference, s.c, _ = subtract(getattr(s, register), s.m, 1)
        s.judge(difference)

    def bit(self, s: State) -> None:
        """N and V are bits 7 and 6 of M; Z tells whether A AND M is zero."""
        s.n, s.v, s.z = s.m >> 7, s.m >> 6 & 1, flag(s.a & s.m == 0)

    def logic(self, s: State, operator: str) -> None:
        """A AND, OR, EOR M."""
        s.a = {"and": s.a & s.m, "or": s.a | s.m, "eor": s.a ^ s.m}[operator]
        s.judge(s.a)

    def step_register(self, s: State, register: str, by: int) -> None:
        """X or Y, one up or down."""
        setattr(s, register, (getattr(s, register) + by) % 256)
        s.judge(getattr(s, register))

    def step_memory(self, s: State, by: int) -> None:
        """INC, DEC: M, one up or down."""
        s.stored = (s.m + by) % 256
        s.judge(s.stored)

    def shift(self, s: State, direction: str, rotate: bool) -> None:
        """Doubles or halves A or M; what falls out is C, and what comes in is C or 0."""
        byte, comes_in = s.m, s.c if rotate else 0
        if direction == "left":
            result, s.c = byte * 2 % 256 + comes_in, flag(byte > 127)
        else:
            result, s.c = byte // 2 + 128 * comes_in, byte % 2
        s.judge(result)
        if s.place == "a":
            s.a = result
        else:
            s.stored = result

    # Moving bytes

    def load(self, s: State, register: str) -> None:
        """LDA, LDX, LDY."""
        setattr(s, register, s.m)
        s.judge(s.m)

    def store(self, s: State, register: str) -> None:
        """STA, STX, STY: no flag changes."""
        s.stored = getattr(s, register)

    def transfer(self, s: State, source: str, target: str) -> None:
        """Copies a register; into SP without flags, for the stack has no sign."""
        byte = getattr(s, source)
        setattr(s, target, byte)
        if target != "sp":
            s.judge(byte)

    def set_flag(self, s: State, name: str, value: int) -> None:
        """CLC, SEC and their like."""
        setattr(s, name, value)

    def nothing(self, s: State) -> None:
        """NOP."""

    # Stack, jumps and interrupts

    def push_a(self, s: State) -> None:
        """PHA."""
        s.push(s.a)

    def pull_a(self, s: State) -> None:
        """PLA: N and Z as for a load."""
        s.a = s.pull()
        s.judge(s.a)

    def push_status(self, s: State) -> None:
        """PHP, with B set."""
        s.push(s.status(software=1))

    def pull_status(self, s: State) -> None:
        """PLP."""
        s.load_status(s.pull())

    def branch(self, s: State, name: str, value: int) -> None:
        """PC + signed offset if the flag has the value; one clock more, two into another page."""
        taken = flag(getattr(s, name) == value)
        target = (s.pc + signed(s.argument % 256)) % 65536
        crossed = flag(target // 256 != s.pc // 256)
        s.cycles = s.cycles + taken + taken * crossed
        s.pc = np.where(taken, target, s.pc)

    def jump(self, s: State) -> None:
        """JMP."""
        s.pc = s.argument

    def call(self, s: State) -> None:
        """JSR: pushes the address of its own last byte, high byte first."""
        last = (s.pc - 1) % 65536
        s.push(last // 256)
        s.push(last % 256)
        s.pc = s.argument

    def return_(self, s: State) -> None:
        """RTS: goes on one past the address that JSR left."""
        s.pc = (s.pull() + 256 * s.pull() + 1) % 65536

    def resume(self, s: State) -> None:
        """RTI: flags, then the very address that was pushed."""
        s.load_status(s.pull())
        s.pc = s.pull() + 256 * s.pull()

    def enter(self, s: State, software: int) -> None:
        """BRK, IRQ, NMI: pushes PC and the flags as they were, then sets I; CMOS then clears D."""
        s.push(s.pc // 256)
        s.push(s.pc % 256)
        s.push(s.status(software))
        s.i = 1
        if self.variant == "cmos":
            s.d = 0
        s.pc = s.vector

    def reset(self, s: State) -> None:
        """Three pushes that write nothing; sets I. CMOS clears D, NMOS leaves it unknown: kept."""
        s.sp = (s.sp - 3) % 256
        s.i = 1
        if self.variant == "cmos":
            s.d = 0
        s.pc = s.vector


FAMILIES: Final[dict[str, tuple[Any, ...]]] = {
    "ADC": ("adc",), "SBC": ("sbc",), "BIT": ("bit",), "NOP": ("nothing",),
    "CMP": ("compare", "a"), "CPX": ("compare", "x"), "CPY": ("compare", "y"),
    "AND": ("logic", "and"), "ORA": ("logic", "or"), "EOR": ("logic", "eor"),
    "INX": ("step_register", "x", 1), "INY": ("step_register", "y", 1),
    "DEX": ("step_register", "x", -1), "DEY": ("step_register", "y", -1),
    "INC": ("step_memory", 1), "DEC": ("step_memory", -1),
    "ASL": ("shift", "left", False), "ROL": ("shift", "left", True),
    "LSR": ("shift", "right", False), "ROR": ("shift", "right", True),
    "LDA": ("load", "a"), "LDX": ("load", "x"), "LDY": ("load", "y"),
    "STA": ("store", "a"), "STX": ("store", "x"), "STY": ("store", "y"),
    "TAX": ("transfer", "a", "x"), "TAY": ("transfer", "a", "y"), "TSX": ("transfer", "sp", "x"),
    "TXA": ("transfer", "x", "a"), "TXS": ("transfer", "x", "sp"), "TYA": ("transfer", "y", "a"),
    "CLC": ("set_flag", "c", 0), "SEC": ("set_flag", "c", 1),
    "CLD": ("set_flag", "d", 0), "SED": ("set_flag", "d", 1),
    "CLI": ("set_flag", "i", 0), "SEI": ("set_flag", "i", 1), "CLV": ("set_flag", "v", 0),
    "PHA": ("push_a",), "PLA": ("pull_a",), "PHP": ("push_status",), "PLP": ("pull_status",),
    "BPL": ("branch", "n", 0), "BMI": ("branch", "n", 1),
    "BVC": ("branch", "v", 0), "BVS": ("branch", "v", 1),
    "BCC": ("branch", "c", 0), "BCS": ("branch", "c", 1),
    "BNE": ("branch", "z", 0), "BEQ": ("branch", "z", 1),
    "JMP": ("jump",), "JSR": ("call",), "RTS": ("return_",), "RTI": ("resume",),
    "BRK": ("enter", 1), "IRQ": ("enter", 0), "NMI": ("enter", 0), "RESET": ("reset",),
}  # fmt: skip


def decide_event(name: str, masked_then: bool, irq_low_then: bool, nmi_waiting_then: bool) -> str:
    """What follows an instruction or an entry, `name`: "instruction", "IRQ" or "NMI".

    `then` is the last but one of its clocks: whether I was set, whether IRQ was low, and whether an
    NMI edge had come and not been taken. The first instruction of a handler always runs: nothing
    follows an entry or BRK. Common practice of the trade; no source.
    """
    if name in ("BRK", "IRQ", "NMI", "RESET"):
        return "instruction"
    if nmi_waiting_then:
        return "NMI"
    return "IRQ" if irq_low_then and not masked_then else "instruction"
