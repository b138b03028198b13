"""The specification: what each instruction leaves, in SMT-LIB's own terms.

Every value is a term of the theory FixedSizeBitVectors, version 2.7: sums by `bvadd`, overflow by
its predicates, bytes joined by `concat`. The clocks of the bus and the addresses are the published
ones of `family`. Nothing here knows the hardware or the model, nor a mode by its name.

Sources: W65C02S data sheet (2020), tables 6-4 and 7-1; Eyes & Lichty, *Programming the 65816*,
chapters 13 and 18; B. Clark, *Decimal Mode*, from memory. What follows an instruction, and an NMI
that comes while BRK or IRQ enters, are common practice of the trade.
"""

from collections.abc import Iterator
from dataclasses import dataclass
from itertools import product
from typing import Final

from ..family.address import high, low, named
from ..family.bus_clocks import OFFSET_TARGET, Clock
from ..family.instructions import ENTRIES, INSTRUCTIONS, Instruction
from ..family.status_byte import FLAG_BITS

LONGEST: Final = 8  # clocks for which there are pins

#: What a specification speaks of, with the width in bits; 0 is a truth. The state before: registers
#: and flags. The bytes that are read, by the names that the published clocks give them. `irq_n.k`
#: and `nmi_n.k` are the pins in clock k; `nmi_before` is the pin just before, `nmi_pending` an edge
#: that has come and was not taken.
SYMBOLS: Final = {
    "pc": 16, **dict.fromkeys(("a", "x", "y", "sp"), 8), **dict.fromkeys(FLAG_BITS, 0),
    **{name: 8 for one in (*INSTRUCTIONS, *ENTRIES.values()) for name in one.reads},
    "nmi_before": 0, "nmi_pending": 0,
    **{f"{pin}.{clock}": 0 for pin in ("irq_n", "nmi_n") for clock in range(LONGEST)},
}  # fmt: skip

# What is defined before instructions are spoken of. The theory's predicates have no carry-in: a sum
# with one is two sums, signed overflow is that of just one of them, unsigned that of either. For
# digits above 9 the makers define nothing.
PRELUDE: Final = """
(define-fun bit ((f Bool)) (_ BitVec 1) (ite f #b1 #b0))
(define-fun one ((f Bool)) (_ BitVec 8) (ite f #x01 #x00))
(define-fun negative ((r (_ BitVec 8))) Bool (bvslt r #x00))
(define-fun zero ((r (_ BitVec 8))) Bool (= r #x00))
(define-fun bit7 ((r (_ BitVec 8))) Bool (= ((_ extract 7 7) r) #b1))
(define-fun bit6 ((r (_ BitVec 8))) Bool (= ((_ extract 6 6) r) #b1))
(define-fun bit3 ((r (_ BitVec 8))) Bool (= ((_ extract 3 3) r) #b1))
(define-fun bit2 ((r (_ BitVec 8))) Bool (= ((_ extract 2 2) r) #b1))
(define-fun bit1 ((r (_ BitVec 8))) Bool (= ((_ extract 1 1) r) #b1))
(define-fun bit0 ((r (_ BitVec 8))) Bool (= ((_ extract 0 0) r) #b1))
(define-fun status ((n Bool) (v Bool) (b Bool) (d Bool) (i Bool) (z Bool) (c Bool)) (_ BitVec 8)
  (concat (concat (concat (bit n) (bit v)) (concat #b1 (bit b)))
          (concat (concat (bit d) (bit i)) (concat (bit z) (bit c)))))

; A + M + C, and A - M - (1 - C) with C = NOT borrow
(define-fun sum ((a (_ BitVec 8)) (m (_ BitVec 8)) (c Bool)) (_ BitVec 8)
  (bvadd (bvadd a m) (one c)))
(define-fun sum.c ((a (_ BitVec 8)) (m (_ BitVec 8)) (c Bool)) Bool
  (or (bvuaddo a m) (bvuaddo (bvadd a m) (one c))))
(define-fun sum.v ((a (_ BitVec 8)) (m (_ BitVec 8)) (c Bool)) Bool
  (xor (bvsaddo a m) (bvsaddo (bvadd a m) (one c))))
(define-fun difference ((a (_ BitVec 8)) (m (_ BitVec 8)) (c Bool)) (_ BitVec 8)
  (bvsub (bvsub a m) (one (not c))))
(define-fun difference.c ((a (_ BitVec 8)) (m (_ BitVec 8)) (c Bool)) Bool
  (not (or (bvusubo a m) (bvusubo (bvsub a m) (one (not c))))))
(define-fun difference.v ((a (_ BitVec 8)) (m (_ BitVec 8)) (c Bool)) Bool
  (xor (bvssubo a m) (bvssubo (bvsub a m) (one (not c)))))

; Packed decimal, in twelve bits and two's complement: room for every step
(define-fun low.digit ((r (_ BitVec 8))) (_ BitVec 12) (concat #x00 ((_ extract 3 0) r)))
(define-fun high.digit ((r (_ BitVec 8))) (_ BitVec 12)
  (concat #x0 (concat ((_ extract 7 4) r) #x0)))
(define-fun wide ((f Bool)) (_ BitVec 12) (concat #x0 (one f)))
(define-fun byte ((s (_ BitVec 12))) (_ BitVec 8) ((_ extract 7 0) s))
(define-fun low.sum ((a (_ BitVec 8)) (m (_ BitVec 8)) (c Bool)) (_ BitVec 12)
  (let ((s (bvadd (bvadd (low.digit a) (low.digit m)) (wide c))))
    (ite (bvuge s #x00A) (bvadd (bvand (bvadd s #x006) #x00F) #x010) s)))
(define-fun half.sum ((a (_ BitVec 8)) (m (_ BitVec 8)) (c Bool)) (_ BitVec 12)
  (bvadd (bvadd (high.digit a) (high.digit m)) (low.sum a m c)))
(define-fun decimal.sum ((a (_ BitVec 8)) (m (_ BitVec 8)) (c Bool)) (_ BitVec 12)
  (let ((s (half.sum a m c))) (ite (bvuge s #x0A0) (bvadd s #x060) s)))
(define-fun decimal.sum.c ((a (_ BitVec 8)) (m (_ BitVec 8)) (c Bool)) Bool
  (bvuge (decimal.sum a m c) #x100))
(define-fun half.sum.v ((a (_ BitVec 8)) (m (_ BitVec 8)) (c Bool)) Bool
  (xor (bvsaddo (byte (high.digit a)) (byte (high.digit m)))
       (bvsaddo (bvadd (byte (high.digit a)) (byte (high.digit m))) (byte (low.sum a m c)))))
(define-fun low.difference ((a (_ BitVec 8)) (m (_ BitVec 8)) (c Bool)) (_ BitVec 12)
  (bvsub (bvsub (low.digit a) (low.digit m)) (wide (not c))))
(define-fun nmos.difference ((a (_ BitVec 8)) (m (_ BitVec 8)) (c Bool)) (_ BitVec 8)
  (let ((l (low.difference a m c)))
  (let ((l (ite (bvslt l #x000) (bvsub (bvand (bvsub l #x006) #x00F) #x010) l)))
  (let ((s (bvadd (bvsub (high.digit a) (high.digit m)) l)))
    (byte (ite (bvslt s #x000) (bvsub s #x060) s))))))
(define-fun cmos.difference ((a (_ BitVec 8)) (m (_ BitVec 8)) (c Bool)) (_ BitVec 8)
  (let ((s (bvsub (bvsub (concat #x0 a) (concat #x0 m)) (wide (not c)))))
  (let ((s (ite (bvslt s #x000) (bvsub s #x060) s)))
    (byte (ite (bvslt (low.difference a m c) #x000) (bvsub s #x006) s)))))
"""

# What is computed, and where it goes; {m} is the operand. N and Z tell of it but for TXS.
RESULTS: Final = {
    "AND": ("a", "(bvand a {m})"), "ORA": ("a", "(bvor a {m})"), "EOR": ("a", "(bvxor a {m})"),
    "LDA": ("a", "{m}"), "LDX": ("x", "{m}"), "LDY": ("y", "{m}"), "PLA": ("a", "pull0"),
    "TAX": ("x", "a"), "TAY": ("y", "a"), "TSX": ("x", "sp"),
    "TXA": ("a", "x"), "TXS": ("sp", "x"), "TYA": ("a", "y"),
    "INX": ("x", "(bvadd x #x01)"), "INY": ("y", "(bvadd y #x01)"),
    "DEX": ("x", "(bvsub x #x01)"), "DEY": ("y", "(bvsub y #x01)"),
    "INC": ("operand", "(bvadd {m} #x01)"), "DEC": ("operand", "(bvsub {m} #x01)"),
    "ASL": ("operand", "(bvshl {m} #x01)"), "LSR": ("operand", "(bvlshr {m} #x01)"),
    "ROL": ("operand", "(concat ((_ extract 6 0) {m}) (bit c))"),
    "ROR": ("operand", "(concat (bit c) ((_ extract 7 1) {m}))"),
}  # fmt: skip
SHIFTED_OUT: Final = {"ASL": "bit7", "ROL": "bit7", "LSR": "bit0", "ROR": "bit0"}
STORES: Final = {"STA": "a", "STX": "x", "STY": "y"}
COMPARES: Final = {"CMP": "a", "CPX": "x", "CPY": "y"}
SETS: Final = {
    "CLC": ("c", "false"), "CLD": ("d", "false"), "CLI": ("i", "false"), "CLV": ("v", "false"),
    "SEC": ("c", "true"), "SED": ("d", "true"), "SEI": ("i", "true"),
}  # fmt: skip
TAKEN: Final = {
    "BPL": "(not n)", "BMI": "n", "BVC": "(not v)", "BVS": "v",
    "BCC": "(not c)", "BCS": "c", "BNE": "(not z)", "BEQ": "z",
}  # fmt: skip
MOVES_SP: Final = {
    "PHA": -1, "PHP": -1, "PLA": 1, "PLP": 1, "JSR": -2, "RTS": 2, "RTI": 3,
    "BRK": -3, "IRQ": -3, "NMI": -3, "RESET": -3,
}  # fmt: skip
PC, SP = named("pc", 16), named("sp")
PULLED_FLAGS: Final = {flag: f"(bit{bit} pull0)" for flag, bit in FLAG_BITS.items()}


@dataclass(frozen=True, slots=True)
class Specification:
    """What one instruction or entry leaves, as terms over SYMBOLS.

    `after` has the registers, the flags and `cycles`; a flag that is not in it is left undefined.
    `written` has the bytes by the names that the published clocks give them.
    """

    instruction: Instruction
    variant: str
    after: dict[str, str]
    written: dict[str, str]

    @property
    def enters(self) -> bool:
        """Whether it goes on at a vector."""
        return "vector.low" in self.instruction.reads

    def ways(self) -> Iterator[tuple[tuple[str, ...], tuple[Clock, ...]]]:
        """The clocks of each way in which the sequence can go, with terms that say when it does.

        Some of these may be impossible.
        """
        clocks, terms = self.instruction.sequence(self.variant), conditions(self.instruction)
        whens = optional(clocks)
        for chosen in product((True, False), repeat=len(whens)):
            there = dict(zip(whens, chosen, strict=True))
            holds = (terms[when] if there[when] else f"(not {terms[when]})" for when in whens)
            yield tuple(holds), tuple(one for one in clocks if there.get(one.when, True))

    def address(self, clock: Clock) -> str | None:
        """Where a clock reads or writes; None if that is not told."""
        if clock.address is None:
            return None
        usual = clock.address.smt()
        if not clock.reads.startswith("vector") or self.taken_over() == "false":
            return usual
        of_nmi = ENTRIES["NMI"].sequence(self.variant)
        other = next(c.address.smt() for c in of_nmi if c.address and c.reads == clock.reads)
        return f"(ite {self.taken_over()} {other} {usual})"

    def follows(self, clocks: int) -> str:
        """What comes next, as an index into `EVENTS` of two bits, after so many clocks.

        It is decided by what was asked for, and not masked, up to the last but one of them.
        """
        if self.enters:
            return "#b00"
        masked = PULLED_FLAGS["i"] if self.instruction.mnemonic == "RTI" else "i"
        irq = f"(and (not irq_n.{clocks - 2}) (not {masked}))"
        return f"(ite {noticed(clocks - 2)} #b10 (ite {irq} #b01 #b00))"

    def nmi_remembered(self, clocks: int) -> str:
        """Whether an edge waits afterwards: one has come, and is not the one that is taken."""
        if self.enters:
            taken, since = self.taken_over(), either(edges(4, clocks))
        else:
            taken, since = noticed(clocks - 2), either(edges(clocks - 1, clocks))
        return f"(ite {taken} {since} {noticed(clocks - 1)})"

    def taken_over(self) -> str:
        """An NMI within its first four clocks gives NMOS' BRK and IRQ the other vector."""
        shared = self.instruction.mnemonic in ("BRK", "IRQ") and self.variant != "cmos"
        return noticed(3) if shared else "false"


def noticed(last: int) -> str:
    """Whether an edge of NMI has come by the end of clock `last`, or was waiting."""
    return either(["nmi_pending", *edges(0, last + 1)])


def edges(first: int, end: int) -> list[str]:
    """For each of these clocks, whether an edge comes in it."""
    pins = ["nmi_before", *(f"nmi_n.{k}" for k in range(LONGEST))]
    return [f"(and {pins[k]} (not {pins[k + 1]}))" for k in range(first, end)]


def either(terms: list[str]) -> str:
    """Whether one of them is true."""
    return f"(or {' '.join(terms)})" if len(terms) > 1 else (*terms, "false")[0]


def optional(clocks: tuple[Clock, ...]) -> list[str]:
    """What it depends on that some of the clocks come."""
    return [when for when in dict.fromkeys(clock.when for clock in clocks) if when]


def conditions(instruction: Instruction) -> dict[str, str]:
    """When a clock comes that need not, by the `when` of the published clocks.

    A page is crossed where a sum is in another page than what something was added to.
    """
    taken = TAKEN.get(instruction.mnemonic, "true")
    found = {"taken": taken, "decimal": "d"}
    if instruction.mode.crossing is not None:
        before, after = instruction.mode.crossing
        found["crossed"] = f"(and {taken} (distinct {before.smt()} {after.smt()}))"
    return found


def specify(instruction: Instruction, variant: str) -> Specification:
    """The specification of an instruction or entry."""
    name, mode = instruction.mnemonic, instruction.mode
    after = {symbol: symbol for symbol in ("pc", "a", "x", "y", "sp", *FLAG_BITS)}
    after["pc"] = (PC + instruction.length).smt()
    after["sp"] = (SP + MOVES_SP.get(name, 0)).smt()
    after["cycles"] = cycles(instruction, variant)
    stored = STORES.get(name, "")
    if name in RESULTS:
        place, text = RESULTS[name]
        result = text.format(m=mode.operand)
        if name in SHIFTED_OUT:
            after["c"] = f"({SHIFTED_OUT[name]} {mode.operand})"
        if instruction.access == "modify":
            stored = result
        else:
            after[mode.operand if place == "operand" else place] = result
        if name != "TXS":
            after |= judged(result)
    elif name in COMPARES:
        register = COMPARES[name]
        after |= judged(f"(bvsub {register} {mode.operand})")
        after["c"] = f"(not (bvusubo {register} {mode.operand}))"
    elif name in ("ADC", "SBC"):
        after |= arithmetic(name, variant, mode.operand)
    elif name == "BIT":
        after |= {"n": f"(bit7 {mode.operand})", "v": f"(bit6 {mode.operand})"}
        after["z"] = f"(zero (bvand a {mode.operand}))"
    elif name in SETS:
        flag, value = SETS[name]
        after[flag] = value
    elif name in ("PLP", "RTI"):
        after |= PULLED_FLAGS
    plain = Specification(instruction, variant, after, written(name, stored))
    if plain.enters:
        after["i"] = "true"
        if variant == "cmos":
            after["d"] = "false"
        elif name == "RESET":
            del after["d"]  # the makers leave it unknown
    after |= jump(plain)
    return plain


def judged(result: str) -> dict[str, str]:
    """N and Z of a byte."""
    return {"n": f"(negative {result})", "z": f"(zero {result})"}


def cycles(instruction: Instruction, variant: str) -> str:
    """The clocks of the table, and those that a branch or decimal mode adds."""
    terms = conditions(instruction)
    more = [f"(ite {terms[when]} #x1 #x0)" for when in optional(instruction.sequence(variant))]
    usual = f"#x{instruction.clocks_on(variant):X}"
    return f"(bvadd {usual} {' '.join(more)})" if more else usual


def arithmetic(name: str, variant: str, m: str) -> dict[str, str]:
    """ADC and SBC: binary, and where D is set and connected decimal."""
    binary = "sum" if name == "ADC" else "difference"
    given = f"a {m} c"
    result = f"({binary} {given})"
    after = {"a": result, "c": f"({binary}.c {given})", "v": f"({binary}.v {given})"}
    after |= judged(result)
    if variant == "binary":
        return after
    decimal: dict[str, str] = {}
    if name == "ADC":
        decimal["a"] = f"(byte (decimal.sum {given}))"
        decimal["c"], decimal["v"] = f"(decimal.sum.c {given})", f"(half.sum.v {given})"
        decimal["n"] = f"(negative (byte (half.sum {given})))"
    else:
        decimal["a"] = f"({variant}.difference {given})"
    if variant == "cmos":
        decimal |= judged(decimal["a"])
    return after | {key: f"(ite d {term} {after[key]})" for key, term in decimal.items()}


def jump(plain: Specification) -> dict[str, str]:
    """Where an instruction goes on that does not go on behind itself."""
    instruction = plain.instruction
    if instruction.branches:
        taken = TAKEN[instruction.mnemonic]
        return {"pc": f"(ite {taken} {OFFSET_TARGET.smt()} {plain.after['pc']})"}
    if instruction.mnemonic in ("JMP", "JSR") and instruction.mode.address is not None:
        return {"pc": instruction.mode.address.smt()}
    if instruction.mnemonic == "RTS":
        return {"pc": "(bvadd (concat pull1 pull0) #x0001)"}
    if instruction.mnemonic == "RTI":
        return {"pc": "(concat pull2 pull1)"}
    return {"pc": "(concat vector.high vector.low)"} if plain.enters else {}


def written(name: str, stored: str) -> dict[str, str]:
    """The bytes that a mnemonic or event writes, if it writes them."""
    returned = PC + (2 if name in ("JSR", "BRK") else 0)
    return {
        "pch": high(returned).smt(), "pcl": low(returned).smt(),
        "p": f"(status n v {'true' if name in ('BRK', 'PHP') else 'false'} d i z c)",
        "a": "a", "m": "m", "stored": stored,
    }  # fmt: skip
