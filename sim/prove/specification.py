"""The specification: what each instruction leaves, in SMT-LIB's own terms.

Every value is a term of the theory FixedSizeBitVectors, version 2.7: sums by `bvadd`, overflow by
its predicates `bvuaddo`, `bvsaddo`, `bvusubo`, `bvssubo`, bytes joined by `concat`. The predicates
have no carry-in: a sum with one is two sums, signed overflow is that of just one of them, unsigned
that of either. Nothing here knows the hardware or the model.

Sources: W65C02S data sheet (2020), tables 6-4 and 7-1; Eyes & Lichty, *Programming the 65816*,
chapters 13 and 18; B. Clark, *Decimal Mode*, from memory; the bus in `isa`. For digits above 9 the
makers define nothing. What follows an instruction, and an NMI that comes while BRK or IRQ enters,
are common practice of the trade.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final

from ..family.instructions import BY_MNEMONIC, bus_activity
from ..family.members import EVENTS

__all__ = ["LONGEST", "PRELUDE", "SYMBOLS", "Clock", "Specification", "specify"]

LONGEST: Final = 8  # clocks for which there are pins

#: What a specification speaks of, with the width in bits; 0 is a truth. The state before: registers
#: and flags. `b1` and `b2` are the bytes behind the opcode, `m` the operand in memory, `pull0` to
#: `pull2` the bytes above SP, nearest first. `irq_n.k` and `nmi_n.k` are the pins in clock k;
#: `nmi_before` is the pin just before, `nmi_pending` an edge that has come and was not taken.
SYMBOLS: Final = {
    "pc": 16, **dict.fromkeys(("a", "x", "y", "sp"), 8), **dict.fromkeys("nvdizc", 0),
    **dict.fromkeys(("b1", "b2", "m", "pull0", "pull1", "pull2", "vector.low", "vector.high"), 8),
    "nmi_before": 0, "nmi_pending": 0,
    **{f"{pin}.{clock}": 0 for pin in ("irq_n", "nmi_n") for clock in range(LONGEST)},
}  # fmt: skip

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
    "INC": ("stored", "(bvadd {m} #x01)"), "DEC": ("stored", "(bvsub {m} #x01)"),
    "ASL": ("shifted", "(bvshl {m} #x01)"), "LSR": ("shifted", "(bvlshr {m} #x01)"),
    "ROL": ("shifted", "(concat ((_ extract 6 0) {m}) (bit c))"),
    "ROR": ("shifted", "(concat (bit c) ((_ extract 7 1) {m}))"),
}  # fmt: skip
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
PULLED_FLAGS: Final = {
    f: f"(bit{bit} pull0)" for f, bit in zip("nvdizc", (7, 6, 3, 2, 1, 0), strict=True)
}
ENTRIES: Final = ("BRK", *EVENTS[1:])


@dataclass(frozen=True, slots=True)
class Clock:
    """One clock of the bus. A byte that is read is a symbol, "" if it is discarded.

    What is not specified is None.
    """

    write: bool
    address: str | None
    byte: str | None
    place: str = ""  # as in `isa.bus_activity`


@dataclass(frozen=True, slots=True)
class Specification:
    """What one instruction or entry leaves, as terms over SYMBOLS.

    `after` has the registers, the flags and `cycles`; a flag that is not in it is left undefined.
    """

    name: str
    mode: str
    variant: str
    opcode: int | None
    after: dict[str, str]
    bus: tuple[Clock, ...]

    def follows(self, clocks: int) -> str:
        """What comes next, as an index into `isa.EVENTS` of two bits, after so many clocks.

        It is decided by what was asked for, and not masked, up to the last but one of them.
        """
        if self.name in ENTRIES:
            return "#b00"
        masked = PULLED_FLAGS["i"] if self.name == "RTI" else "i"
        irq = f"(and (not irq_n.{clocks - 2}) (not {masked}))"
        return f"(ite {noticed(clocks - 2)} #b10 (ite {irq} #b01 #b00))"

    def nmi_remembered(self, clocks: int) -> str:
        """Whether an edge waits afterwards: one has come, and is not the one that is taken."""
        if self.name in ENTRIES:
            taken, since = self.taken_over(), either(edges(4, clocks))
        else:
            taken, since = noticed(clocks - 2), either(edges(clocks - 1, clocks))
        return f"(ite {taken} {since} {noticed(clocks - 1)})"

    def taken_over(self) -> str:
        """An NMI within its first four clocks gives NMOS' BRK and IRQ the other vector."""
        shared = self.name in ("BRK", "IRQ") and self.variant != "cmos"
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


def specify(name: str, mode: str, variant: str) -> Specification:
    """The specification of an instruction in a mode, or of "IRQ", "NMI" or "RESET" (mode "")."""
    entry = None if name in EVENTS else BY_MNEMONIC[name][mode]
    length, clocks = (entry.length, entry.clocks) if entry else (0, 7)
    operand = {"immediate": "b1", "accumulator": "a"}.get(mode, "m")
    after = {symbol: symbol for symbol in ("pc", "a", "x", "y", "sp", *"nvdizc")}
    after["cycles"] = f"#x{clocks:X}"
    if length:
        after["pc"] = moved("pc", length)
    if name in MOVES_SP:
        after["sp"] = moved("sp", MOVES_SP[name])
    stored = STORES.get(name)
    if name in RESULTS:
        place, text = RESULTS[name]
        result = text.format(m=operand)
        if place == "shifted":
            out = "bit7" if name in ("ASL", "ROL") else "bit0"
            after["c"] = f"({out} {operand})"
            place = "a" if mode == "accumulator" else "stored"
        if place == "stored":
            stored = result
        else:
            after[place] = result
        if name != "TXS":
            after |= judged(result)
    elif name in COMPARES:
        register = COMPARES[name]
        after |= judged(f"(bvsub {register} {operand})")
        after["c"] = f"(not (bvusubo {register} {operand}))"
    elif name in ("ADC", "SBC"):
        after |= arithmetic(name, variant, operand, clocks)
    elif name == "BIT":
        after |= {"n": f"(bit7 {operand})", "v": f"(bit6 {operand})"}
        after["z"] = f"(zero (bvand a {operand}))"
    elif name in SETS:
        flag, value = SETS[name]
        after[flag] = value
    elif name in ("PLP", "RTI"):
        after |= PULLED_FLAGS
    elif name in TAKEN:
        after |= branch(TAKEN[name])
    after |= jump(name)
    if name in ENTRIES:
        after["i"] = "true"
        if variant == "cmos":
            after["d"] = "false"
        elif name == "RESET":
            del after["d"]  # the makers leave it unknown
    plain = Specification(name, mode, variant, entry.opcode if entry else None, after, ())
    bus = tuple(bus_clocks(plain, mode, stored))
    return Specification(name, mode, variant, plain.opcode, after, bus)


def moved(register: str, by: int) -> str:
    """A register so much further; it wraps in its own width."""
    digits = 4 if register == "pc" else 2
    return (
        f"({'bvadd' if by > 0 else 'bvsub'} {register} #x{abs(by):0{digits}X})" if by else register
    )


def judged(result: str) -> dict[str, str]:
    """N and Z of a byte."""
    return {"n": f"(negative {result})", "z": f"(zero {result})"}


def arithmetic(name: str, variant: str, m: str, clocks: int) -> dict[str, str]:
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
        after["cycles"] = f"(ite d #x{clocks + 1:X} #x{clocks:X})"
    return after | {key: f"(ite d {term} {after[key]})" for key, term in decimal.items()}


TARGET: Final = "(bvadd (bvadd pc #x0002) ((_ sign_extend 8) b1))"


def branch(taken: str) -> dict[str, str]:
    """PC + 2 + offset if taken: a clock more, and another into another page."""
    page = "((_ extract 15 8) {})"
    same = f"(= {page.format(TARGET)} {page.format('(bvadd pc #x0002)')})"
    return {
        "pc": f"(ite {taken} {TARGET} (bvadd pc #x0002))",
        "cycles": f"(ite {taken} (ite {same} #x3 #x4) #x2)",
    }


def jump(name: str) -> dict[str, str]:
    """Where an instruction that jumps goes on."""
    if name in ("JMP", "JSR"):
        return {"pc": "(concat b2 b1)"}
    if name == "RTS":
        return {"pc": "(bvadd (concat pull1 pull0) #x0001)"}
    if name == "RTI":
        return {"pc": "(concat pull2 pull1)"}
    return {"pc": "(concat vector.high vector.low)"} if name in ENTRIES else {}


def bus_clocks(plain: Specification, mode: str, stored: str | None) -> list[Clock]:
    """The published bus activity in terms, with the clocks that a branch or decimal mode adds."""
    name, variant = plain.name, plain.variant
    returned = {"JSR": "(bvadd pc #x0002)", "BRK": "(bvadd pc #x0002)"}.get(name, "pc")
    written = {
        "pch": f"((_ extract 15 8) {returned})", "pcl": f"((_ extract 7 0) {returned})",
        "p": f"(status n v {'true' if name in ('BRK', 'PHP') else 'false'} d i z c)",
        "a": "a", "value": "m", "stored": stored,
    }  # fmt: skip
    clocks, code, pulls = [], 0, 0
    for kind, place, byte in bus_activity(name, mode):
        write = kind == "W" and not (byte == "value" and variant == "cmos")
        address = address_of(place, mode, plain, code + (code == 0))
        if kind == "W":
            text = written[byte] if write else ""
        elif byte == "d":
            text = ""
        elif byte == "op":
            text, code = "opcode", 1
        elif place == "n":
            text, code = f"b{code}", code + 1
        elif place.startswith("s+"):
            text, pulls = f"pull{pulls}", pulls + 1
        else:
            text = {"pcl": "vector.low", "pch": "vector.high"}.get(byte, "m")
        clocks.append(Clock(write, address, text, place))
    if mode == "relative":
        next_page = "(concat ((_ extract 15 8) (bvadd pc #x0002)) ((_ extract 7 0) {}))"
        clocks.append(Clock(False, "(bvadd pc #x0002)", "", "pc"))
        clocks.append(Clock(False, next_page.format(TARGET), "", "pc"))
    elif name in ("ADC", "SBC") and variant == "cmos":
        clocks.append(Clock(False, None, "", ""))  # which address decimal mode reads is not told
    return clocks


def address_of(place: str, mode: str, plain: Specification, code: int) -> str:
    """A place of the published table as a term."""
    if place == "pc":
        return "pc"
    if place == "n":
        return moved("pc", code)
    if place == "ea":
        return "(concat b2 b1)" if mode == "absolute" else "(concat #x00 b1)"
    if place == "pulled":
        return "(concat pull1 pull0)"
    if place[0] == "s":
        return f"(concat #x01 {moved('sp', int(place[1:] or 0))})"
    usual, other = f"#xFF{place}", f"#xFF{int(place, 16) - 4:02X}"
    taken = plain.taken_over()
    return usual if taken == "false" else f"(ite {taken} {other} {usual})"
