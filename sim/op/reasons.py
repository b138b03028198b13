"""An operation in words: what it does, and why each flag is what it is."""

from collections.abc import Mapping
from typing import Final

from ..family.members import EVENTS
from ..family.status_byte import FLAG_BITS
from .operation import Operation

INVALID: Final = "the makers call it invalid in decimal"  # of N, V and Z on NMOS
ABOVE_NINE: Final = "a digit is above 9"

NAMES: Final = {"a": "A", "x": "X", "y": "Y", "sp": "SP", "": "M"}
MEANINGS: Final = {
    "ADD": "{r} + M + C", "SUBTRACT": "{r} + NOT M + C", "COMPARE": "{r} + NOT M + 1",
    "INCREMENT": "{r} + 0 + 1", "DECREMENT": "{r} + FF + 0", "SHIFT_LEFT": "{r} + {r}",
    "ROTATE_LEFT": "{r} + {r} + C",
    "OFFSET": "PC low + offset", "EXTEND": "PC high + sign of offset",
    "AND": "{r} AND M", "OR": "{r} OR M", "XOR": "{r} EOR M", "BIT": "{r} AND M, result not kept",
    "SHIFT_RIGHT": "0 into bit 7, bit 0 into C", "ROTATE_RIGHT": "C into bit 7, bit 0 into C",
}  # fmt: skip

#: What an instruction does that writes a flag by itself.
FLAGS_MOVED: Final = ("clears", "sets")
#: What those do that the adder has no part in.
MOVES: Final = {
    **{f"LD{r}": f"M into {r}" for r in "AXY"}, **{f"ST{r}": f"{r} into memory" for r in "AXY"},
    **{f"T{a}{b}": f"{a} into {b}" for a, b in ("AX", "AY", "XA", "YA")},
    "TSX": "SP into X", "TXS": "X into SP", "PHA": "A onto the stack", "PLA": "the stack into A",
    "PHP": "the flags onto the stack", "PLP": "the byte pulled, into the flags",
    "RTI": "the byte pulled, into the flags; then PC", "RTS": "PC from the stack, and 1",
    "JSR": "PC onto the stack, and a jump", "JMP": "a jump", "NOP": "nothing",
    **{f"SE{flag}": f"{flag} is set" for flag in "CDI"},
    **{f"CL{flag}": f"{flag} is cleared" for flag in "CDIV"},
    "BRK": "an interrupt by software", "IRQ": "an interrupt, which I masks",
    "NMI": "an interrupt, which nothing masks", "RESET": "the start",
}  # fmt: skip


def signed(byte: int) -> int:
    """A byte read as two's complement."""
    return byte - 256 if byte > 127 else byte


def are_digits(*numbers: int) -> bool:
    """Whether bytes hold two decimal digits each."""
    return all(byte >> 4 <= 9 and byte % 16 <= 9 for byte in numbers)


def headings_of(op: Operation) -> tuple[str, str]:
    """What an operation does, and under which variant and mode."""
    meaning = MEANINGS.get(op.alu["operation"], "").format(r=NAMES[op.register])
    if op.alu["operation"] == "PASS":
        meaning = MOVES.get(op.mnemonic, "")
        if op.instruction.branches:
            meaning = "a branch that is not taken adds nothing"
    mode = "decimal" if op.decimal and op.mnemonic in ("ADC", "SBC") else "binary"
    mode = "decimal not connected" if mode == "decimal" and op.variant == "binary" else mode
    return meaning, f"{op.variant}, {mode}"


def kinds_of(alu: Mapping[str, int]) -> list[str]:
    """What each bit, from 0, does with a carry: "make", "pass" or "stop"."""
    makes, hands = alu["generate"], alu["propagate"]
    return ["make" if makes >> i & 1 else "pass" if hands >> i & 1 else "stop" for i in range(8)]


def moved_of(op: Operation) -> str:
    """What the byte is called that passes the ALU by: as it comes, and where it goes."""
    source, _, target = MOVES[op.mnemonic].partition(" into ")
    if op.mnemonic in ("PHA", "PLA"):
        return "A"
    return f"{source} to {target}" if target in NAMES.values() else source


def names_of(op: Operation) -> tuple[str, str, str]:
    """How the chain's left input is called, the byte beside it, and what the chain has of that.

    The second is "" where the chain has the byte itself.
    """
    operation = op.alu["operation"]
    left = "PC low" if operation == "OFFSET" else NAMES[op.register]
    complement = {"SUBTRACT": "NOT M", "COMPARE": "NOT M", "DECREMENT": "FF", "INCREMENT": "0"}
    plain = {"SHIFT_LEFT": left, "ROTATE_LEFT": left, "OFFSET": "offset"}.get(operation, "M")
    inverted = operation in ("SUBTRACT", "COMPARE")
    return left, "M" if inverted else "", complement.get(operation, plain)


def digit_note(op: Operation) -> str:
    """Why c4 is 1 although bit 3 did not carry, in decimal mode; "" where that is not so."""
    carries = op.carries
    if carries is None:
        return ""
    half = sum(op.alu[side] % 16 for side in ("a", "operand")) + carries[0]
    told = f"c4 is 1 because the low digits make {half}: ten or more"
    return told if carries[4] and half < 16 else ""


def reasons_of(op: Operation) -> dict[str, tuple[str, str]]:
    """For each flag updated: the wire it comes from, and what it says of the numbers."""
    alu, operation = op.alu, op.alu["operation"]
    result, carries = alu["result"], [alu["carry"] >> i & 1 for i in range(9)]
    if op.mnemonic in ("PLP", "RTI"):
        wires = {flag: f"bit {FLAG_BITS[flag]} of the byte pulled" for flag in op.updated}
        return {flag: (wire, "as it was pushed") for flag, wire in wires.items()}
    if not (op.register or op.operand is not None):
        values = {flag: "set" if op.after[flag] else "clear" for flag in op.updated}
        it = "the entry itself" if op.mnemonic in EVENTS else "the instruction itself"
        return {flag: (it, value) for flag, value in values.items()}
    decimal = op.decimal and operation in ("ADD", "SUBTRACT") and op.variant != "binary"
    judged = alu["sum"] if decimal and op.variant == "nmos" else result
    word = "sum" if op.uses_chain and not (decimal and op.variant == "cmos") else "result"
    negative, zero = op.after["n"], op.after["z"]
    reasons = {
        "n": (f"bit 7 of {word} is {negative}",
              f"signed: {signed(judged)} is {'' if negative else 'not '}negative"),
        "z": (f"{'no' if zero else 'a'} bit of {word} is 1",
              f"the {word} is {'' if zero else 'not '}zero"),
    }  # fmt: skip
    if operation == "BIT":
        says = "the flag is M's, whatever A is"
        return reasons | {"n": ("bit 7 of M", says), "v": ("bit 6 of M", says)}
    if decimal:
        says = "" if op.variant == "cmos" else INVALID
        reasons = {flag: (wire, says) for flag, (wire, _) in reasons.items()}
    reasons["c"] = _carry_reason(op, decimal, carries)
    if operation == "COMPARE":
        left, right = signed(op.alu["a"]), signed(op.alu["b"])
        if not -128 <= left - right <= 127:
            order = "<" if left < right else ">"
            says = f"signed: the sum reads {signed(judged)}, yet {left} {order} {right}"
            reasons["n"] = (reasons["n"][0], says)
    says = signed_reading(op)
    if decimal:
        says = "of the sum before correction, as on NMOS" if op.variant == "cmos" else INVALID
    reasons["v"] = (f"c8 XOR c7 = {carries[8]} XOR {carries[7]}", says)
    return reasons


def _carry_reason(op: Operation, decimal: int, carries: list[int]) -> tuple[str, str]:
    operation, a, m, c = op.alu["operation"], op.alu["a"], op.alu["b"], op.after["c"]
    wire, reach = f"c8 is {carries[8]}", "over" if c else "within"
    invalid = not are_digits(a, m)
    if decimal and operation in ("ADD", "SUBTRACT"):
        return _decimal_carry(op, invalid, carries[8])
    if operation in ("SHIFT_RIGHT", "ROTATE_RIGHT"):
        return "bit 0 that fell out", f"the remainder of {a} / 2"
    if operation in ("SHIFT_LEFT", "ROTATE_LEFT"):
        return wire, f"bit 7 that fell out: {a} x 2 is {reach} 255"
    if operation == "COMPARE":
        return wire, f"unsigned: {a} {'>=' if c else '<'} {m}"
    if operation == "SUBTRACT":
        borrow = "" if op.carry_in else " - 1"
        return wire, f"unsigned: {a} - {m}{borrow} needs {'no ' if c else 'a '}borrow"
    one = " + 1" if op.carry_in else ""
    return wire, f"unsigned: {a} + {m}{one} = {a + m + op.carry_in}, {reach} 255"


def _decimal_carry(op: Operation, invalid: bool, binary: int) -> tuple[str, str]:
    """C of a decimal sum, and which of its two causes made it; or of a difference."""
    a, m = op.alu["a"], op.alu["b"]
    digits, other = (10 * (byte >> 4) + byte % 16 for byte in (a, m))
    if op.alu["operation"] == "SUBTRACT":
        left = digits - other - 1 + op.carry_in
        borrow = "" if op.carry_in else " - 1"
        needs = f"{a:02X} - {m:02X}{borrow} = {left}, needs {'a' if left < 0 else 'no'} borrow"
        return f"c8 is {binary}", ABOVE_NINE if invalid else needs
    corrected = op.alu["sum"] >> 4 > 9
    one = " + 1" if op.carry_in else ""
    total = f"{a:02X} + {m:02X}{one} = {digits + other + op.carry_in:02}"
    wire = {
        (0, False): "c8 is 0, high digit <= 9", (0, True): "high digit of sum > 9",
        (1, False): "c8 is 1", (1, True): "c8 is 1, and digit > 9",
    }[binary, corrected]  # fmt: skip
    by = "the binary carry" if binary else "the correction"
    says = f": by {by}" if op.after["c"] else ", within 99"
    return wire, ABOVE_NINE if invalid else total + says


def ghosts_of(op: Operation) -> list[tuple[str, str, str]]:
    """What a compare does not write although the adder has it: name, why, what it says."""
    if op.alu["operation"] != "COMPARE" or op.carries is None:
        return []
    v = op.carries[8] ^ op.carries[7]
    left, right = signed(op.alu["a"]), signed(op.alu["b"])
    order = f"signed: {left} {'<' if left < right else '>='} {right}"
    return [
        ("(V)", f"c8 XOR c7 = {v}, not written", signed_reading(op)),
        ("(N XOR V)", f"= {op.after['n'] ^ v}", order),
    ]


def signed_reading(op: Operation) -> str:
    """The sum, difference or comparison of two's complement numbers, and whether it fits."""
    a, m = signed(op.alu["a"]), signed(op.alu["b"])
    second = f"({m})" if m < 0 else f"{m}"
    if op.alu["operation"] in ("SUBTRACT", "COMPARE"):
        borrow = op.alu["operation"] == "SUBTRACT" and not op.carry_in
        value = a - m - borrow
        shown = f"{a} - {second}" + (" - 1" if borrow else "")
    else:
        value = a + m + op.carry_in
        shown = f"{a} + {second}" + (" + 1" if op.carry_in else "")
    fits = "past 127" if value > 127 else "below -128" if value < -128 else "in range"
    return f"signed: {shown} = {value}, {fits}"
