"""One operation on the hardware, with what the adder did in the clock that decided the flags."""

from collections.abc import Sequence
from dataclasses import dataclass, field
from typing import Any, Final

import numpy as np

from carrywave.rtl.datapath import Unit
from carrywave.rtl.word import LatchNext

from ..cases.case_memory import possible
from ..cases.kinds import BY_KEY, forms_of, happening, lay_reads, symbols_of
from ..cases.layout import CASE, Cases
from ..family.instructions import Instruction
from ..family.status_byte import LOWEST_FIRST, flags_of
from ..system.pictures import picture_of
from ..witness.clocked import Clocked, Context, Recorder
from .notation import AddressSum, UsageError, describe_sum, event_of, read_notation, written

#: The operations of the ALU that the adder's chain answers, and which carry enters it.
CHAIN: Final = {
    "ADD": "C", "SUBTRACT": "C", "COMPARE": "1", "INCREMENT": "1", "DECREMENT": "0",
    "SHIFT_LEFT": "0", "ROTATE_LEFT": "C", "OFFSET": "0", "EXTEND": "0 or 1",
}  # fmt: skip
SHOWN_FLAGS: Final = "nvzcdi"  # those of the adder first
AT: Final = 0x0200  # where the instruction lies
DATA: Final = 0x0010  # where its operand lies
TOP: Final = 0xFD  # SP before
TARGET: Final = 0x0300  # of jumps, and what the vector holds

#: The register that an instruction works on; those that are not here have none.
_REGISTERS: Final = {
    mnemonic: register
    for register, mnemonics in {
        "a": "ADC SBC CMP AND ORA EOR BIT ASL LSR ROL ROR LDA STA PHA PLA TAX TAY",
        "x": "CPX INX DEX LDX STX TXA TXS",
        "y": "CPY INY DEY LDY STY TYA",
        "sp": "TSX",
    }.items()
    for mnemonic in mnemonics.split()
}


@dataclass(frozen=True, slots=True)
class BusClock:
    """What the bus did in one clock."""

    kind: str  # "R" or "W"
    address: int
    byte: int


@dataclass(slots=True)
class Operation:
    """An operation's inputs, its result, and the adder behind it."""

    instruction: Instruction
    variant: str
    register: str  # the register it works on: "a", "x", "y", "sp" or ""
    a: int | None  # that register before
    operand: int | None  # the byte from memory, or pulled, or a branch's offset
    carry_in: int
    decimal: int
    result: int | None = None
    alu: dict[str, Any] = field(default_factory=dict)  # the ports in the deciding clock
    updated: str = ""  # the flags that the hardware updated
    before: dict[str, int] = field(default_factory=dict)
    after: dict[str, int] = field(default_factory=dict)
    bus: list[BusClock] = field(default_factory=list)
    pc: int = 0  # afterwards
    sp: int = 0
    where: str = ""  # the operand as it is written, where its address is formed
    sums: list[AddressSum] = field(default_factory=list)  # of that address
    case: Cases | None = None  # what was run
    top: int = TOP  # SP before

    @property
    def mnemonic(self) -> str:
        """That of the instruction."""
        return self.instruction.mnemonic

    @property
    def uses_chain(self) -> bool:
        """True if the result is the adder's."""
        return self.alu["operation"] in CHAIN

    @property
    def carries(self) -> list[int] | None:
        """c0..c8, or None if the chain has no part in it."""
        return [self.alu["carry"] >> i & 1 for i in range(9)] if self.uses_chain else None

    @property
    def kept(self) -> str:
        """The flags that it leaves alone, in capitals, as they are shown; "" for none."""
        return " ".join(flag.upper() for flag in SHOWN_FLAGS if flag not in self.updated)

    def _repr_svg_(self) -> str | None:
        """What a notebook shows: the figure; None where there is nothing to draw."""
        return picture_of("operation", self)

    def to_json(self) -> dict[str, Any]:
        """Plain values; a flag that the operation leaves alone is None."""
        return {
            "mnemonic": self.mnemonic, "mode": self.instruction.mode.name, "variant": self.variant,
            "a": self.a, "operand": self.operand,
            "carry_in": self.carry_in, "decimal": bool(self.decimal),
            "result": self.result, "carries": self.carries,
            "flags": {f: self.after[f] if f in self.updated else None for f in SHOWN_FLAGS},
            "alu": self.alu, "bus": [[clock.kind, clock.address, clock.byte] for clock in self.bus],
            "pc": self.pc, "sp": self.sp, "written": self.where,
            "address_sums": [{"clock": one.clock, "words": one.words, "carries": one.carries,
                              "alu": one.alu} for one in self.sums],
        }  # fmt: skip


def form_of(mnemonic: str) -> Instruction:
    """The form of a mnemonic that shows the operation with the least around it.

    Raises KeyError for an unknown one.
    """
    return min(forms_of(mnemonic), key=lambda form: len(form.sequence("nmos")))


def operand_of(instruction: Instruction) -> str:
    """The name of the byte that it reads to work with; "" if it reads only where to go."""
    if instruction.pulls % 2:  # an address is two bytes
        return "pull0"
    return next((name for name in ("m", "offset") if name in instruction.reads), "")


def takes(mnemonic: str) -> tuple[str, bool]:
    """The register that a mnemonic works on, or "", and whether it takes a byte beside it."""
    return _REGISTERS.get(mnemonic, ""), bool(operand_of(form_of(mnemonic)))


def goes_to(mnemonic: str) -> str:
    """What the address is that an instruction or entry goes by, if not its own; "" for none."""
    form = form_of(mnemonic)
    if "vector.low" in form.reads:
        return "what the vector holds"
    if form.pulls > 1:
        return "the address pulled"
    return "the target" if "address.low" in form.reads and not form.access else ""


def arrange(mnemonic: str, numbers: Sequence[int]) -> tuple[int, int]:
    """The register and the operand out of the numbers that were given. Raises UsageError."""
    register, byte = takes(mnemonic)
    loads = mnemonic in ("LDA", "LDX", "LDY", "PLA")  # what the register held makes no difference
    names = [register.upper()] * bool(register) + ["the operand"] * byte
    if len(numbers) == len(names):
        a = numbers[0] if register else 0
        return a, numbers[-1] if byte else 0
    if loads and len(numbers) == 1:
        return 0, numbers[0]
    wanted = {0: "takes no number", 1: f"takes one number, {''.join(names)}"}.get(
        len(names), f"takes two numbers, {' and '.join(names)}"
    )
    beside = f" beside {goes_to(mnemonic)}" if goes_to(mnemonic) else ""
    raise UsageError(f"{mnemonic} {wanted}{beside}; {len(numbers)} given")


class _Probe:
    """Keeps the bus of each clock, and the ALU's ports of the one that takes effect."""

    def __init__(self, wave: Recorder | None) -> None:
        self.wave = wave
        self.bus: list[BusClock] = []
        self.alu: dict[str, Any] = {}
        self.sums: list[tuple[int, bool, dict[str, Any]]] = []
        self.update = 0

    def clock(self, ctx: Context, unit: Unit, name: str) -> None:
        if self.wave:
            self.wave.clock(ctx, unit, name)
        if self.bus and ctx.get(unit.sync):
            return
        write = ctx.get(unit.write)
        byte = ctx.get(unit.data_out if write else unit.data_in)
        self.bus.append(BusClock("W" if write else "R", ctx.get(unit.address), byte))
        update = ctx.get(unit.status.update.flags.as_value())
        operation = ctx.get(unit.alu.operation).name
        # The last clock is the one to show, but for RTI, which sets its flags before it, and for a
        # branch, whose first sum is the low byte of its target.
        ports = ("a", "b", "operand", "carry", "propagate", "generate", "sum", "result")
        alu = {"operation": operation} | {p: ctx.get(getattr(unit.alu, p)) for p in ports}
        formed = [ctx.get(getattr(unit.control.word, byte)) for byte in ("low", "high")]
        if LatchNext.ALU in formed and operation != "PASS":
            self.sums.append((len(self.bus) - 1, formed[1] == LatchNext.ALU, alu))
        elif len(self.bus) > 1 and not self.update and self.alu.get("operation") != "OFFSET":
            self.alu = alu
        self.update |= update


def lay(
    instruction: Instruction, a: Any, operand: Any, p: Any, variant: str = "nmos",
    place: int | None = None, x: int = 0, y: int = 0, pointer: int = TARGET, pc: int = AT,
    sp: int = TOP, target: int | None = None,
) -> tuple[Cases, dict[str, Any]]:  # fmt: skip
    """The case of an operation, and its bytes by name; `place` is the operand's in its notation.

    `a`, `operand` and `p` may be columns, of 16 bits or more: then it is as many cases.
    """
    vector = TARGET if target is None else target
    base = (DATA if instruction.access else vector) if place is None else place
    if instruction.pointer or "pointer.low" in instruction.reads:
        base = pointer
    back = pc if target is None else target
    pulled = [operand] * (instruction.pulls % 2) + [back & 0xFF, back >> 8]
    columns = {
        "pc": pc, "sp": sp, "m": operand, "offset": operand,
        "address.low": base & 0xFF, "address.high": base >> 8, "x": x, "y": y,
        "pointer": (place or 0) & 0xFF,
        "pointer.low": (place or 0) & 0xFF, "pointer.high": (place or 0) >> 8,
        "vector.low": vector & 0xFF, "vector.high": vector >> 8,
        **{f"pull{i}": value for i, value in enumerate(pulled)},
    }  # fmt: skip
    cases = np.zeros(np.broadcast_shapes(*map(np.shape, (a, operand, p))), CASE)
    cases["pc"], cases["sp"], cases["p"] = pc, sp, p
    cases["event"], cases["x"], cases["y"] = event_of(instruction.mnemonic), x, y
    register, _ = takes(instruction.mnemonic)
    if register:
        cases[register] = a
        columns[register] = a
    lay_reads(cases, instruction, columns, variant)
    return cases, columns


def operate(
    mnemonic: str, a: int = 0, operand: int = 0, carry: int = 0, decimal: bool = False,
    variant: str = "nmos", status: int = 0x30, wave: Recorder | None = None, where: str = "",
    x: int = 0, y: int = 0, pointer: int = TARGET, pc: int = AT, sp: int = TOP,
    target: int | None = None,
) -> Operation:  # fmt: skip
    """Runs one instruction on the clock-level hardware.

    `a` goes into the register that the instruction works on; `operand` is the byte it reads, from
    memory or from the stack, or a branch's offset. `status` gives the flags that `carry` and
    `decimal` do not. `where` is the operand in the notation of its mode, `($10),Y`; `x` and `y` are
    the index registers, `pointer` what lies where a pointer is read; `pc` is where the instruction
    lies; `target` is the address that `goes_to` speaks of. "IRQ", "NMI" and "RESET" are taken too.
    Raises KeyError for an unknown mnemonic,
    UsageError for what does not go together.
    """
    instruction, place = read_notation(mnemonic, where) if where else (form_of(mnemonic), None)
    register, byte = takes(mnemonic)
    p = status & 0xF6 | carry | decimal << 3
    if mnemonic == "IRQ":
        p &= ~4  # or it would not be taken
    case, columns = lay(
        instruction, a, operand, p, variant, place, x, y, pointer, pc, sp, target
    )  # fmt: skip
    if where and not possible(case.reshape(1))[0]:
        raise UsageError(
            f"{mnemonic} {where}: two bytes would lie at one address; the instruction is at "
            f"{pc:04X}: put the operand or the pointer elsewhere"
        )
    probe = _Probe(wave)
    outcome = Clocked(variant, probe).execute(case)

    operation = Operation(
        instruction, variant, register, a if register else None, operand if byte else None,
        carry, int(decimal), alu=probe.alu, bus=probe.bus,
        pc=int(outcome["pc"]), sp=int(outcome["sp"]),
        before=flags_of(p), after=flags_of(int(outcome["p"])),
        updated="".join(f for i, f in enumerate(LOWEST_FIRST) if probe.update >> i & 1),
        where="" if place is None else written(instruction, place), case=case, top=int(case["sp"]),
    )  # fmt: skip
    for clock, high, alu in probe.sums:
        left, right, words = describe_sum(instruction, variant, high, alu, columns)
        operation.sums.append(AddressSum(clock, alu, left, right, words))
    # Without a register or an operand in memory: PHP's pushed byte, a taken branch's first sum.
    told = mnemonic == "PHP" or (instruction.branches and operation.uses_chain)
    if register or instruction.access or told:
        operation.result = probe.alu["result"]
    return operation


def numbers_of(case: Cases) -> tuple[str, list[int]]:
    """The mnemonic of a case, and the numbers that `carrywave op` takes for it."""
    instruction = BY_KEY[int(case["read_value"][0])]
    name, operand = instruction.mnemonic, operand_of(instruction)
    register, byte = takes(name)
    numbers = [int(case[register])] if register else []
    if not operand:
        return name, numbers
    value = int(symbols_of(case, instruction)[operand])
    # What a shift finds in memory is shown in the accumulator.
    return name, [*numbers, value] if byte else [value]


def operation_of(case: Cases, variant: str = "nmos") -> Operation:
    """The operation of a case that is no event's; in its own mode where an address is formed."""
    name, numbers = numbers_of(case)
    a, operand = arrange(name, numbers)
    p, pc, sp = (int(case[register]) for register in ("p", "pc", "sp"))
    given: dict[str, Any] = {}
    if _forms_address(case):
        given = {"where": _notation(case), "x": int(case["x"]), "y": int(case["y"])}
        given["pointer"] = _pointed(case)
        found = symbols_of(case, BY_KEY[int(case["read_value"][0])])
        operand = int(found.get("m", operand))  # a shift's is not in the accumulator here
    return operate(
        name, a, operand, p & 1, bool(p & 8), variant, p, pc=pc, sp=sp, target=target_of(case),
        **given,
    )  # fmt: skip


def target_of(case: Cases) -> int | None:
    """The address that a case's instruction goes by, if `goes_to` speaks of one."""
    instruction = BY_KEY[int(case["read_value"][0])]
    if "pointer.low" in instruction.reads or not goes_to(instruction.mnemonic):
        return None
    low, high = (int(symbols_of(case, instruction)[name]) for name in instruction.reads[-2:])
    return high << 8 | low


def operation_command(case: Cases, variant: str = "nmos") -> str | None:
    """What draws the operation of a case; None for an event."""
    if happening(case.reshape(1))[0] or int(case["read_value"][0]) not in BY_KEY:
        return None
    options = address_options(case)
    instruction = BY_KEY[int(case["read_value"][0])]
    target = target_of(case)
    by_pc = instruction.branches or bool(options) or target is not None
    place = [f"--pc 0x{int(case['pc']):04X}"] * by_pc
    place += [f"--sp 0x{int(case['sp']):02X}"] * (instruction.pulls > 0 or instruction.pushes)
    if place and not options:
        options = [""]
    return command_of(*numbers_of(case), int(case["p"]), variant, [*options, *place], target)


def address_options(case: Cases) -> list[str]:
    """What a case's address is formed of, as words of a command; none where nothing is added."""
    instruction = BY_KEY[int(case["read_value"][0])]
    if not _forms_address(case):
        return []
    words = [f"'{_notation(case)}'"]
    words += [f"--{name} 0x{int(case[name]):02X}" for name in instruction.index]
    if len(instruction.reads) > instruction.mode.length + 1:
        words.append(f"--pointer 0x{_pointed(case):04X}")
    return words


def _forms_address(case: Cases) -> bool:
    """Whether something is added, or read, for where the operand lies."""
    instruction = BY_KEY[int(case["read_value"][0])]
    return bool(instruction.index) or "pointer.low" in instruction.reads


def _notation(case: Cases) -> str:
    """A case's operand as a listing writes it."""
    instruction = BY_KEY[int(case["read_value"][0])]
    code = bytes(case["read_value"][1 : instruction.mode.length].tolist())
    return written(instruction, int.from_bytes(code, "little"))


def _pointed(case: Cases) -> int:
    """What a case's pointer holds, or its address without an index."""
    found = symbols_of(case, BY_KEY[int(case["read_value"][0])])
    low, high = (int(found.get(f"address.{half}", 0)) for half in ("low", "high"))
    return high << 8 | low


def command_of(
    name: str, numbers: Sequence[int], p: int, variant: str = "nmos", address: Sequence[str] = (),
    target: int | None = None,
) -> str:  # fmt: skip
    """What draws an operation with these numbers and this status before."""
    numerals = [f"0x{number:02X}" for number in numbers]
    numerals += [] if target is None else [f"0x{target:04X}"]
    words = ["carrywave op", name, *filter(None, address[:1]), *numerals]
    words += address[1:]
    words += ["--carry 1"] * (p & 1) + ["--decimal"] * (p >> 3 & 1)
    words += [f"--status 0x{p & 0xC6 | 0x30:02X}"] * (p & 0xC6 > 0)
    words += [f"--variant {variant}"] * (variant != "nmos")
    return " ".join(words)
