"""A scalar reference of an 8-bit processor, written from published tables and nothing else.

Each clock is one call of `read`, `discard` or `write`, in the order of the published rows; the
cycles are the number of these calls. Sources, by the titles used below:

* *Programming the 65816*: pp31-33, 74 stack, ch. 13 interrupts, ch. 18 flags and cycle counts
* *R6500 Microcomputer System Hardware Manual*, appendix A: the NMOS clocks ('Hardware Manual')
* *W65C02S data sheet*: table 6-4 flags; table 7-1 and section 3.11, the CMOS differences
* *ARMv7-M / ARMv6-M Architecture Reference Manual*, A2.2: carry and overflow of a sum
* *Decimal Mode*: the decimal sequences, from memory
"""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Final

INSTRUCTION, IRQ, NMI, RESET = range(4)
N, V, UNUSED, B, D, NO_IRQ, Z, C = (1 << bit for bit in range(7, -1, -1))


@dataclass(frozen=True)
class Case:
    """What there is before the step; `memory` has the bytes known, by address."""

    event: int
    pc: int
    a: int
    x: int
    y: int
    sp: int
    p: int
    memory: Mapping[int, int]

    @classmethod
    def of(cls, event: int, reads: Sequence[tuple[int, int]], **registers: int) -> "Case":
        """Make the case of its list of (address, value); the first of two equal addresses wins."""
        return cls(event=event, memory=dict(reversed(reads)), **registers)


@dataclass(frozen=True)
class Outcome:
    """What there is after the step, and `reads`, the addresses read and used, in order.

    `clocks` is the bus: (kind, address, value), with 'R' read, 'd' read and discarded, 'W' written.
    """

    pc: int
    a: int
    x: int
    y: int
    sp: int
    p: int
    cycles: int
    writes: list[tuple[int, int]]
    reads: list[int]
    clocks: list[tuple[str, int, int]]


# *Programming the 65816* ch. 18: 56 mnemonics in 13 modes. The opcodes' numbers are from memory.
_TABLE: Final = {
    "A": "ASL 0A ROL 2A LSR 4A ROR 6A",
    "#": "ORA 09 AND 29 EOR 49 ADC 69 LDA A9 CMP C9 SBC E9 LDX A2 LDY A0 CPX E0 CPY C0",
    "zp": "ORA 05 AND 25 EOR 45 ADC 65 STA 85 LDA A5 CMP C5 SBC E5 LDX A6 LDY A4 STX 86 STY 84 "
    "CPX E4 CPY C4 BIT 24 ASL 06 ROL 26 LSR 46 ROR 66 DEC C6 INC E6",
    "zp,X": "ORA 15 AND 35 EOR 55 ADC 75 STA 95 LDA B5 CMP D5 SBC F5 LDY B4 STY 94 "
    "ASL 16 ROL 36 LSR 56 ROR 76 DEC D6 INC F6",
    "zp,Y": "LDX B6 STX 96",
    "abs": "ORA 0D AND 2D EOR 4D ADC 6D STA 8D LDA AD CMP CD SBC ED LDX AE LDY AC STX 8E STY 8C "
    "CPX EC CPY CC BIT 2C ASL 0E ROL 2E LSR 4E ROR 6E DEC CE INC EE JMP 4C JSR 20",
    "abs,X": "ORA 1D AND 3D EOR 5D ADC 7D STA 9D LDA BD CMP DD SBC FD LDY BC "
    "ASL 1E ROL 3E LSR 5E ROR 7E DEC DE INC FE",
    "abs,Y": "ORA 19 AND 39 EOR 59 ADC 79 STA 99 LDA B9 CMP D9 SBC F9 LDX BE",
    "(zp,X)": "ORA 01 AND 21 EOR 41 ADC 61 STA 81 LDA A1 CMP C1 SBC E1",
    "(zp),Y": "ORA 11 AND 31 EOR 51 ADC 71 STA 91 LDA B1 CMP D1 SBC F1",
    "(abs)": "JMP 6C",
    "imp": "BRK 00 RTI 40 RTS 60 PHP 08 PLP 28 PHA 48 PLA 68 CLC 18 SEC 38 CLI 58 SEI 78 CLV B8 "
    "CLD D8 SED F8 DEY 88 TAY A8 INY C8 INX E8 TYA 98 TXA 8A TXS 9A TAX AA TSX BA DEX CA NOP EA",
    "rel": "BPL 10 BMI 30 BVC 50 BVS 70 BCC 90 BCS B0 BNE D0 BEQ F0",
}
OPCODES: Final = {
    int(code, 16): (mnemonic, mode)
    for mode, text in _TABLE.items()
    for mnemonic, code in zip(text.split()[::2], text.split()[1::2], strict=True)
}

# *W65C02S data sheet* table 6-4 and *Programming the 65816* ch. 18: the flags that each updates.
# PLP and RTI, which take all of P, and BRK, which sets I after the push, do it themselves.
_UPDATED: Final = {
    N | V | Z | C: "ADC SBC", N | V | Z: "BIT", N | Z | C: "ASL LSR ROL ROR CMP CPX CPY",
    N | Z: "AND ORA EOR LDA LDX LDY INC DEC INX INY DEX DEY TAX TAY TXA TYA TSX PLA",
    NO_IRQ: "SEI CLI", C: "SEC CLC", D: "SED CLD", V: "CLV", 0: "NOP TXS",
}  # fmt: skip
_UPDATES: Final = {name: mask for mask, names in _UPDATED.items() for name in names.split()}
_STORES: Final = {"STA": "a", "STX": "x", "STY": "y"}
_LOADS: Final = {"LDA": "a", "LDX": "x", "LDY": "y"}
_COMPARES: Final = {"CMP": "a", "CPX": "x", "CPY": "y"}
_SHIFTS: Final = ("ASL", "LSR", "ROL", "ROR")
_MOVES: Final = {  # from, to, and what is added on the way
    "TAX": ("a", "x", 0), "TAY": ("a", "y", 0), "TXA": ("x", "a", 0), "TYA": ("y", "a", 0),
    "TSX": ("sp", "x", 0), "TXS": ("x", "sp", 0), "INX": ("x", "x", 1), "INY": ("y", "y", 1),
    "DEX": ("x", "x", -1), "DEY": ("y", "y", -1),
}  # fmt: skip
_VECTORS: Final = (0xFFFE, 0xFFFE, 0xFFFA, 0xFFFC)  # by event; an instruction's is that of BRK
_CMOS_DECIMAL: Final = {"nmos": (False, True), "cmos": (True, True), "binary": (False, False)}
_SIGNED: Final = (*range(128), *range(-128, 0))  # two's complement
_IF_CLEAR: Final = {"BPL": N, "BVC": V, "BCC": C, "BNE": Z}
_IF_SET: Final = {"BMI": N, "BVS": V, "BCS": C, "BEQ": Z}


# N and Z of the low byte; V if the true signed result does not fit.
def _flags(total: int, signed: int = 0, carry: bool = False) -> int:
    return total & N | (0 if total & 255 else Z) | (0 if -128 <= signed <= 127 else V) | C * carry


# *ARMv7-M / ARMv6-M Architecture Reference Manual* A2.2, here and in the next: carry and overflow
# are those of the unsigned and of the signed sum; carry = NOT borrow.
def _add(a: int, m: int, carry: int) -> tuple[int, int]:
    total, signed = a + m + carry, _SIGNED[a] + _SIGNED[m] + carry
    return total & 255, _flags(total, signed, total > 255)


def _subtract(a: int, m: int, carry: int) -> tuple[int, int]:
    total, signed = a - m - (1 - carry), _SIGNED[a] - _SIGNED[m] - (1 - carry)
    return total & 255, _flags(total, signed, total >= 0)


# *Decimal Mode*, from memory.
def _decimal_add(a: int, m: int, carry: int, cmos: bool) -> tuple[int, int]:
    low = (a & 15) + (m & 15) + carry
    low = low if low < 10 else (low + 6 & 15) + 16
    total = (a & 0xF0) + (m & 0xF0) + low
    before = _flags(total, _SIGNED[a & 0xF0] + _SIGNED[m & 0xF0] + low)
    total += 0x60 if total >= 0xA0 else 0
    nz = _flags(total) if cmos else before & N | _add(a, m, carry)[1] & Z
    return total & 255, nz | before & V | (C if total >= 0x100 else 0)


# *Decimal Mode*, from memory.
def _decimal_subtract(a: int, m: int, carry: int, cmos: bool) -> tuple[int, int]:
    low, flags = (a & 15) - (m & 15) + carry - 1, _subtract(a, m, carry)[1]
    if cmos:
        total = a - m + carry - 1
        total -= (0x60 if total < 0 else 0) + (6 if low < 0 else 0)
        return total & 255, flags & (V | C) | _flags(total)
    low = low if low >= 0 else (low - 6 & 15) - 16
    total = (a & 0xF0) - (m & 0xF0) + low
    return (total if total >= 0 else total - 0x60) & 255, flags


# *Programming the 65816* ch. 18. C is what is shifted out; INC and DEC do not update it.
def _modified(mnemonic: str, value: int, carry: int) -> tuple[int, int]:
    result, out = {
        "ASL": (value << 1, value >> 7), "ROL": (value << 1 | carry, value >> 7),
        "LSR": (value >> 1, value & 1), "ROR": (value >> 1 | carry << 7, value & 1),
        "INC": (value + 1, 0), "DEC": (value - 1, 0),
    }[mnemonic]  # fmt: skip
    return result & 255, _flags(result, carry=out == 1)


class _Processor:  # its registers are in `r` by name
    def __init__(self, variant: str, case: Case) -> None:
        self.cmos, self.decimal = _CMOS_DECIMAL[variant]
        self.r = {"pc": case.pc, "a": case.a, "x": case.x, "y": case.y, "sp": case.sp, "p": case.p}
        self.memory = dict(case.memory)
        self.clocks: list[tuple[str, int, int]] = []

    def read(self, address: int, kind: str = "R") -> int:
        value = self.memory.get(address, ~address & 255)  # what the case has not is poison
        self.clocks.append((kind, address, value))
        return value

    def discard(self, address: int) -> None:
        self.read(address & 0xFFFF, "d")

    def write(self, address: int, value: int) -> None:
        self.memory[address] = value
        self.clocks.append(("W", address, value))

    def word(self, low: int, high: int) -> int:
        return self.read(low) | self.read(high) << 8

    def fetch(self) -> int:
        self.r["pc"] = self.r["pc"] + 1 & 0xFFFF
        return self.read(self.r["pc"] - 1 & 0xFFFF)

    def push(self, value: int, reset: bool = False) -> None:
        if reset:  # R/W stays high: *G65SC816* note 10
            self.discard(0x100 | self.r["sp"])
        else:
            self.write(0x100 | self.r["sp"], value)
        self.r["sp"] = self.r["sp"] - 1 & 255

    def pull(self) -> int:
        self.r["sp"] = self.r["sp"] + 1 & 255
        return self.read(0x100 | self.r["sp"])

    def update(self, mnemonic: str, flags: int) -> None:
        self.r["p"] = self.r["p"] & ~_UPDATES[mnemonic] | flags & _UPDATES[mnemonic]

    # Hardware Manual, appendix A. Pointers stay in page zero. A carry out of BAL+i, a write and a
    # modify wait for a clock; what CMOS reads then is in *W65C02S data sheet* table 7-1.
    def address(self, mode: str, waits: bool) -> int:
        base, index = self.fetch(), self.r["y" if mode.endswith("Y") else "x"]
        if mode in ("zp,X", "zp,Y", "(zp,X)"):
            self.discard(base)
            base = base + index & 255
            return self.word(base, base + 1 & 255) if mode == "(zp,X)" else base
        if mode in ("zp", "abs"):
            return base if mode == "zp" else base | self.fetch() << 8
        base = self.word(base, base + 1 & 255) if mode == "(zp),Y" else base | self.fetch() << 8
        uncorrected, address = base & 0xFF00 | base + index & 255, base + index & 0xFFFF
        if waits or address != uncorrected:
            self.discard(self.r["pc"] - 1 if self.cmos and address != uncorrected else uncorrected)
        return address

    def operate(self, mnemonic: str, value: int) -> None:
        r, a, carry = self.r, self.r["a"], self.r["p"] & C
        if mnemonic in _LOADS:
            r[_LOADS[mnemonic]], flags = value, _flags(value)
        elif mnemonic in _COMPARES:  # *Programming the 65816* p347: whatever D is
            _, flags = _subtract(r[_COMPARES[mnemonic]], value, 1)
        elif mnemonic == "BIT":  # *W65C02S data sheet* table 6-4
            flags = value & (N | V) | _flags(a & value) & Z
        elif mnemonic in ("AND", "ORA", "EOR"):
            r["a"] = {"AND": a & value, "ORA": a | value, "EOR": a ^ value}[mnemonic]
            flags = _flags(r["a"])
        elif r["p"] & D and self.decimal:
            in_digits = _decimal_add if mnemonic == "ADC" else _decimal_subtract
            r["a"], flags = in_digits(a, value, carry, self.cmos)
            if self.cmos:  # *W65C02S data sheet* table 7-1: one clock more
                self.discard(r["pc"])
        else:
            r["a"], flags = (_add if mnemonic == "ADC" else _subtract)(a, value, carry)
        self.update(mnemonic, flags)

    # CMOS: *W65C02S data sheet* table 7-1; reads twice, writes once, shifts wait for carries only.
    def modify(self, mnemonic: str, mode: str) -> None:
        address = self.address(mode, waits=not (self.cmos and mnemonic in _SHIFTS))
        value = self.read(address)
        if self.cmos:
            self.discard(address)
        else:
            self.write(address, value)
        result, flags = _modified(mnemonic, value, self.r["p"] & C)
        self.write(address, result)
        self.update(mnemonic, flags)

    # *Programming the 65816* ch. 18: 2 clocks, 3 taken, 4 taken out of the next instruction's page.
    # What is discarded: *G65SC816* table 9 and common practice; Hardware Manual A.5.8 differs.
    def branch(self, mnemonic: str) -> None:
        target = _SIGNED[self.fetch()] + (following := self.r["pc"]) & 0xFFFF
        if self.r["p"] & _IF_SET.get(mnemonic, 0) or ~self.r["p"] & _IF_CLEAR.get(mnemonic, 0):
            self.discard(following)
            if target >> 8 != following >> 8:
                self.discard(following & 0xFF00 | target & 255)
            self.r["pc"] = target

    # Hardware Manual; CMOS JMP (abs) takes 6 clocks and carries: *W65C02S data sheet* table 7-1.
    def jump(self, mnemonic: str, mode: str) -> None:
        low = self.fetch()
        if mnemonic == "JSR":  # its last byte is read after the pushes
            self.discard(0x100 | self.r["sp"])
            self.push(self.r["pc"] >> 8)
            self.push(self.r["pc"] & 255)
        target = low | self.fetch() << 8
        if mode == "(abs)":
            if self.cmos:
                self.discard(self.r["pc"] - 1)
            carried = 0xFFFF if self.cmos else 0xFF
            target = self.word(target, target & ~carried | target + 1 & carried)
        self.r["pc"] = target

    # *Programming the 65816* ch. 13: P is pushed before I is set; then CMOS clears D. Reset is
    # the same without writing (section 3.11). Its D on NMOS is unknown: here, what it was.
    def interrupt(self, event: int) -> None:
        r = self.r
        for byte in (r["pc"] >> 8, r["pc"] & 255, r["p"] & ~B | UNUSED | (0 if event else B)):
            self.push(byte, reset=event == RESET)
        r["p"] = (r["p"] | NO_IRQ) & ~(D if self.cmos else 0)
        r["pc"] = self.word(_VECTORS[event], _VECTORS[event] + 1)

    # Hardware Manual: the second clock discards a byte, and the third of those that pull.
    def implied(self, mnemonic: str, mode: str) -> None:
        r = self.r
        self.discard(r["pc"])
        if mnemonic in ("PLA", "PLP", "RTI", "RTS"):
            self.discard(0x100 | r["sp"])
        if mnemonic == "BRK":
            r["pc"] = r["pc"] + 1 & 0xFFFF
            self.interrupt(INSTRUCTION)
        elif mnemonic in ("PHA", "PHP"):
            self.push(r["a"] if mnemonic == "PHA" else r["p"] | UNUSED | B)
        elif mnemonic == "PLA":
            r["a"] = self.pull()
            self.update(mnemonic, _flags(r["a"]))
        elif mnemonic == "PLP":
            r["p"] = self.pull()
        elif mnemonic == "RTI":
            r["p"], r["pc"] = self.pull(), self.pull() | self.pull() << 8
        elif mnemonic == "RTS":
            r["pc"] = self.pull() | self.pull() << 8
            self.discard(r["pc"])
            r["pc"] = r["pc"] + 1 & 0xFFFF
        elif mode == "A":
            r["a"], flags = _modified(mnemonic, r["a"], r["p"] & C)
            self.update(mnemonic, flags)
        elif mnemonic in _MOVES:
            source, target, added = _MOVES[mnemonic]
            r[target] = r[source] + added & 255
            self.update(mnemonic, _flags(r[target]))
        else:  # sets or clears the flag of the table; NOP has none there
            self.update(mnemonic, 255 if mnemonic.startswith("SE") else 0)

    def instruction(self, mnemonic: str, mode: str) -> None:
        if mode == "rel":
            self.branch(mnemonic)
        elif mnemonic in ("JMP", "JSR"):
            self.jump(mnemonic, mode)
        elif mode in ("imp", "A"):
            self.implied(mnemonic, mode)
        elif mnemonic in _STORES:
            self.write(self.address(mode, waits=True), self.r[_STORES[mnemonic]])
        elif mnemonic in (*_SHIFTS, "INC", "DEC"):
            self.modify(mnemonic, mode)
        else:
            value = self.fetch() if mode == "#" else self.read(self.address(mode, waits=False))
            self.operate(mnemonic, value)


def step(variant: str, case: Case) -> Outcome | None:
    """Take one instruction or event on the 'nmos', 'cmos' or 'binary' variant.

    'binary' is NMOS where D has no effect on ADC and SBC. An IRQ that I masks is the instruction
    that runs instead. An undocumented opcode has no outcome.
    """
    it = _Processor(variant, case)
    if case.event == INSTRUCTION or (case.event == IRQ and case.p & NO_IRQ):
        opcode = it.fetch()
        if opcode not in OPCODES:
            return None
        it.instruction(*OPCODES[opcode])
    else:
        it.discard(case.pc)
        it.discard(case.pc)
        it.interrupt(case.event)
    it.r["p"] |= UNUSED | B  # have no flip-flop
    writes = [(address, value) for kind, address, value in it.clocks if kind == "W"]
    reads = [address for kind, address, _ in it.clocks if kind == "R"]
    return Outcome(**it.r, cycles=len(it.clocks), writes=writes, reads=reads, clocks=it.clocks)
