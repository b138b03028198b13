"""Instructions that follow each other, written together as one function of Python.

What a result or a flag is comes from the model, worked out once for all inputs as a table; where an
operand lies, from the family's terms. The functions only guess, as fast as can be: whoever uses
them holds what they say to the gates.
"""

from __future__ import annotations

from array import array
from collections.abc import Callable, Collection
from functools import cache
from typing import Any, Final, NamedTuple

import numpy as np

from ..family.instructions import BY_OPCODE, ENTRIES, Instruction
from ..family.status_byte import FLAG_BITS
from ..witness.model import FAMILIES, Model, State
from .lanes import CAUSE_OF
from .leftovers import address_left, byte_left

LONGEST_BLOCK: Final = 16  # instructions: short enough to fit between two interrupts
_MOST: Final = 9  # clocks of a sequence, and one to spare
_CARRY_AND_DECIMAL: Final = 9
_CLEARS_I: Final = ("CLI", "PLP", "RTI")
_HELD: Final = "a, x, y, sp, p, left, t"

#: Of the family of a mnemonic: the register and M that it takes, flags of C and D, and its target.
_SHAPES: Final = {
    "adc": ("a", "m", _CARRY_AND_DECIMAL, "a"), "sbc": ("a", "m", _CARRY_AND_DECIMAL, "a"),
    "compare": ("{0}", "m", 0, ""), "bit": ("a", "m", 0, ""), "logic": ("a", "m", 0, "a"),
    "step_register": ("{0}", "", 0, "{0}"), "step_memory": ("", "m", 0, "stored"),
    "shift": ("", "m", 1, "stored"), "load": ("", "m", 0, "{0}"),
    "transfer": ("{0}", "", 0, "{1}"), "set_flag": ("", "", 0, ""),
}  # fmt: skip

#: The others, as they change what a block holds; `next` is where the program goes on.
_OWN: Final = {
    "PLA": "a = pull0\nsp = sp + 1 & 255",
    "PLP": "p = pull0 | 48\nsp = sp + 1 & 255",
    "RTS": "sp = sp + 2 & 255\nnext = (pull1 << 8 | pull0) + 1 & 65535",
    "RTI": "p = pull0 | 48\nsp = sp + 3 & 255\nnext = pull2 << 8 | pull1",
    "PHA": "sp = sp - 1 & 255", "PHP": "sp = sp - 1 & 255",
    "JSR": "sp = sp - 2 & 255\nnext = {target}", "JMP": "next = {target}",
    "BRK": "sp = sp - 3 & 255\np = (p | 4){clear}\nnext = vector_high << 8 | vector_low",
}  # fmt: skip
_OWN_ENTRY: Final = _OWN["BRK"]


class CodeBlock(NamedTuple):
    """Instructions that run together: ``run(a, x, y, sp, p, left, t)``, or with `pc` an entry."""

    run: Callable[..., tuple[int, ...]]
    most: int  # clocks
    clears_i: bool


class Blocks:
    """A program's memory, and the functions that run what lies in it.

    A function takes and returns what the processor holds: A, X, Y, SP and P; `left`, the bytes that
    sequences leave in the operand's address, the latch and the opcode's register; and the clock.
    It notes each sequence in `row` and `rest`, and each write in `store`; see `Ahead` for how.
    """

    def __init__(self, variant: str, ends: Collection[int]) -> None:
        """No block runs on past an address of `ends`."""
        self.variant, self.ends = variant, ends
        self.memory = bytearray(1 << 16)
        self.touched: list[int] = []  # code that was written to
        self._code = bytearray(1 << 16)  # where a byte is written into a function as a number
        self._changing: set[int] = set()  # code that the program writes to
        self._blocks: dict[int, CodeBlock] = {}
        self._singles: dict[tuple[int, int], CodeBlock] = {}
        self._entries: dict[str, CodeBlock] = {}
        self._space: dict[str, Any] = {
            "code": self._code, "memory": self.memory, "touched": self.touched.append,
        }  # fmt: skip

    def note(self, rows: array[int], rests: array[int], stores: array[int]) -> None:
        """Where sequences and writes are noted from now on."""
        names = {"row": rows.append, "rest": rests.append, "store": stores.append}
        self._space |= names

    def refill(self, memory: bytes) -> None:
        """Puts something else into memory."""
        changed = np.frombuffer(memory, np.uint8) != np.frombuffer(self.memory, np.uint8)
        self.memory[:] = memory
        self.touched += [at for at in np.flatnonzero(changed).tolist() if self._code[at]]

    def change(self) -> None:
        """Code was written to: from now on it is looked up where it runs."""
        self._changing.update(self.touched)
        for at in self.touched:
            self._code[at] = 0
        self.touched.clear()
        self._blocks.clear()
        self._singles.clear()

    def block(self, pc: int) -> CodeBlock:
        """What runs from an address on, up to where it goes elsewhere."""
        if pc not in self._blocks:
            self._blocks[pc] = self._block(pc)
        return self._blocks[pc]

    def _block(self, pc: int) -> CodeBlock:
        lines: list[str] = []
        most, clears, start = 0, False, pc
        for _ in range(LONGEST_BLOCK):
            instruction = BY_OPCODE.get(self.memory[pc])
            if instruction is None or pc in self._changing or (lines and pc in self.ends):
                break
            ends = self._instruction(lines, instruction, pc)
            most += len(instruction.sequence(self.variant))  # with what may not come
            clears |= instruction.mnemonic in _CLEARS_I
            pc = pc + instruction.length & 0xFFFF
            if ends or pc < start:
                break
        else:
            ends = False
        if not lines:
            return CodeBlock(_nothing, 0, False)
        if not ends:
            lines.append(f"return {_HELD}, {pc}")
        return CodeBlock(self._function(_HELD, lines), most, clears)

    def single(self, pc: int) -> CodeBlock | None:
        """The one instruction at an address; None if it is none."""
        key = pc, self.memory[pc]
        if key not in self._singles:
            instruction = BY_OPCODE.get(key[1])
            lines: list[str] = []
            if instruction is None:
                return None
            if not self._instruction(lines, instruction, pc):
                lines.append(f"return {_HELD}, {pc + instruction.length & 0xFFFF}")
            run = self._function(_HELD, lines)
            self._singles[key] = CodeBlock(run, _MOST, instruction.mnemonic in _CLEARS_I)
        return self._singles[key]

    def entry(self, name: str) -> CodeBlock:
        """An interrupt's or reset's; its function takes the program counter, too."""
        if name not in self._entries:
            lines: list[str] = []
            self._sequence(lines, ENTRIES[name], {"pc": "pc"}, "pc", CAUSE_OF[name])
            lines.append(f"return {_HELD}, next")
            run = self._function(f"{_HELD}, pc", lines)
            self._entries[name] = CodeBlock(run, _MOST, False)
        return self._entries[name]

    def _function(self, arguments: str, lines: list[str]) -> Callable[..., Any]:
        space = self._space
        text = "\n".join([f"def block({arguments}):", *(f" {line}" for line in lines)])
        # The text holds nothing but numbers, and names and operators of this file.
        exec(text, space)
        function: Callable[..., Any] = space["block"]
        return function

    def _byte(self, at: int) -> str:
        """A byte of the program: a number, unless the program is known to write there."""
        if at in self._changing:
            return f"memory[{at}]"
        self._code[at] = 1
        return str(self.memory[at])

    def _instruction(self, lines: list[str], instruction: Instruction, pc: int) -> bool:
        """Writes an instruction; whether the block ends with it."""
        if pc not in self._changing:
            self._code[pc] = 1
        names = {"pc": str(pc)}
        for clock in instruction.sequence(self.variant):
            if clock.reads and clock.address is not None and clock.address.names() == {"pc"}:
                at = clock.address.over({"pc": pc})
                names[clock.reads] = self._byte(at)
        return self._sequence(lines, instruction, names, str(pc), 0)

    def _sequence(
        self, lines: list[str], instruction: Instruction, names: dict[str, str], pc: str, cause: int
    ) -> bool:
        """Writes an instruction or entry, given what stands behind the opcode."""
        mode, mnemonic = instruction.mode, instruction.mnemonic
        clocks = instruction.sequence(self.variant)
        lines.append("row(a | x << 8 | y << 16 | sp << 24 | p << 32 | t << 40)")
        lines.append(f"rest(left | {pc} << 32 | {cause} << 48)")
        names |= {name: name for name in ("a", "x", "y", "sp", "p")}
        for clock in clocks:
            if clock.reads and clock.reads not in names and clock.address is not None:
                name = clock.reads.replace(".", "_")
                if instruction.access and clock.reads == "m":
                    break
                lines.append(f"{name} = memory[{clock.address.python(names)}]")
                names[clock.reads] = name
        if instruction.access:
            assert mode.address is not None
            lines.append(f"at = {mode.address.python(names)}")
            if instruction.access != "write":
                lines.append("m = memory[at]")
                names["m"] = "m"
        if mode.operand == "a":
            names["m"] = "a"

        always = instruction.clocks_on(self.variant)
        extra = ""
        if any(clock.when == "crossed" for clock in clocks) and not instruction.branches:
            assert mode.crossing is not None
            before, after = (term.python(names) for term in mode.crossing)
            extra += f" + ({before} != {after})"
        if any(clock.when == "decimal" for clock in clocks):
            extra += " + (p >> 3 & 1)"
        returns = str(pc) if pc == "pc" else str(int(pc) + instruction.length & 0xFFFF)
        last = f"({returns} - {int(mnemonic == 'JSR')} & 65535)"
        names |= {"pch": f"({last} >> 8)", "pcl": f"({last} & 255)"}
        if cause:
            names["p"] = "(p & 239)"

        # What the next sequence finds where it does not look.
        left, held = address_left(instruction, self.variant), byte_left(instruction)
        low = "left & 65535"
        if left is not None:
            low = "at" if instruction.access else left.python(names)
        latch = f"{names[held]} << 16" if held else "left & 16711680"
        lines.append(f"left = {low} | {latch} | {instruction.opcode or 0} << 24")

        self._operate(lines, instruction, names)
        written = [(i, clock) for i, clock in enumerate(clocks) if clock.writes]
        lines.append(f"t += {always}{extra}")
        for i, clock in written:
            assert clock.address is not None
            value = names.get(clock.writes, clock.writes)
            where = "at" if instruction.access else clock.address.python(names)
            back = len(clocks) - i
            lines += [f"store({where} | {value} << 16 | t - {back} << 24)",
                      f"memory[{where}] = {value}"]  # fmt: skip
        self._move(lines, instruction, names, cause)
        if instruction.branches:
            return True
        ends = mnemonic in ("JMP", "JSR", "RTS", "RTI", "BRK") or bool(cause)
        if written and not ends:
            where = "at" if instruction.access else "256 | sp + 1 & 255"
            lines += [f"if code[{where}]:", f"  touched({where})",
                      f"  return {_HELD}, {returns}"]  # fmt: skip
        elif written:
            for by in range(1, len(written) + 1):
                lines.append(f"if code[256 | sp + {by} & 255]: touched(256 | sp + {by} & 255)")
        if ends and not cause:
            lines.append(f"return {_HELD}, next")
        return ends

    def _operate(self, lines: list[str], instruction: Instruction, names: dict[str, str]) -> None:
        """Writes what is done to registers and flags, by the model's table."""
        family, *told = FAMILIES[instruction.mnemonic]
        if family == "store":
            names["stored"] = told[0]
            return
        if family not in _SHAPES:
            return
        register, m, flags, target = _SHAPES[family]
        register, target = register.format(*map(str, told)), target.format(*map(str, told))
        if family == "transfer" and target == "sp":
            lines.append("sp = x")
            return
        table = f"{instruction.mnemonic}_table"
        if table not in self._space:
            self._space[table] = _table(instruction.mnemonic, instruction.flags, self.variant)
        parts = [f"(p & {flags}) << 16"] * bool(flags) + [f"{register} << 8"] * bool(register)
        if m:
            parts.append(names["m"])
        kept = 255 - sum(1 << FLAG_BITS[flag] for flag in instruction.flags)
        lines.append(f"r = {table}[{' | '.join(parts) or '0'}]")
        if target:
            to = "a" if target == "stored" and instruction.mode.operand == "a" else target
            lines.append(f"{to} = r & 255")
        if instruction.flags:
            lines.append(f"p = p & {kept} | r >> 8")

    def _move(
        self, lines: list[str], instruction: Instruction, names: dict[str, str], cause: int
    ) -> None:
        """Writes what the stack's instructions, jumps and entries do."""
        mnemonic = instruction.mnemonic
        clear = " & 247" if self.variant == "cmos" else ""
        if instruction.branches:
            _, flag, value = FAMILIES[mnemonic]
            target = instruction.mode.target
            assert target is not None
            after = f"({names['pc']} + 2 & 65535)"
            condition = f"{'' if value else 'not '}p & {1 << FLAG_BITS[flag]}"
            lines += [
                f"if {condition}:", f"  next = {target.python(names)}",
                f"  return {_HELD} + 1 + (next >> 8 != {after} >> 8), next",
                f"return {_HELD}, {after}",
            ]  # fmt: skip
        elif cause:
            lines += _OWN_ENTRY.format(clear=clear).split("\n")
        elif mnemonic in _OWN:
            target_text = ""
            if mnemonic in ("JSR", "JMP"):
                target_text = f"{names['address.high']} << 8 | {names['address.low']}"
            text = _OWN[mnemonic].format(target=target_text, clear=clear)
            lines += text.split("\n")
            if mnemonic == "PLA":
                if "NZ" not in self._space:
                    self._space["NZ"] = [
                        (byte > 127) << FLAG_BITS["n"] | (byte == 0) << FLAG_BITS["z"]
                        for byte in range(256)
                    ]
                lines.append("p = p & 125 | NZ[a]")


def _nothing(*held: int) -> tuple[int, ...]:
    raise AssertionError("a block of nothing does not run")


@cache
def _table(mnemonic: str, flags_set: str, variant: str) -> array[int]:
    """What the model makes of all inputs: the result, and 256 times the flags it sets."""
    family, *told = FAMILIES[mnemonic]
    register, m, flags, target = _SHAPES[family]
    target = target.format(*map(str, told))
    size = (flags + 1) << 16 if flags else 1 << 16 if register else 256 if m else 1
    index = np.arange(size)
    byte, operand, p = index >> 8 & 255, index & 255, index >> 16 | 48
    if not m:
        operand = byte
    state = State(a=byte, x=byte, y=byte, sp=byte, m=operand, pc=index * 0, cycles=index * 0)
    state.load_status(p)
    state.place = "m"
    Model(variant).perform(mnemonic, state)
    found = index * 0
    for flag in flags_set:
        found |= (index * 0 + getattr(state, flag)) << FLAG_BITS[flag]
    found <<= 8
    if target:
        found |= (index * 0 + getattr(state, target)) & 255
    return array("H", found.astype(np.uint16).tobytes())
