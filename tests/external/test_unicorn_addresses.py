"""Unicorn (QEMU's x86 engine), 16-bit addresses: base and index, added by a load of that form.

Source: the `unicorn` package, run here. `mov al, [bx + di]` adds in 16 bits and drops the carry, as
the 65xx family does; in page zero the sum is of 8 bits, as `add bl, [esi + 2]` makes it. The memory
tells where it was read: at each address lies the address's low byte, in a second run its high byte.
That a page crossed costs a read one clock more, and a write none, is in the cycle table of Eyes &
Lichty, *Programming the 65816*, chapter 18.
"""

from __future__ import annotations

from typing import Any

import numpy as np
import numpy.typing as npt
import pytest
from unicorn import UC_ARCH_X86, UC_MODE_32, Uc
from unicorn.x86_const import UC_X86_REG_ECX, UC_X86_REG_EDX, UC_X86_REG_ESI

from carrywave.sim.cases.kinds import lay_reads
from carrywave.sim.cases.layout import CASE, Cases
from carrywave.sim.family.instructions import BY_MNEMONIC
from carrywave.sim.witness.gates import Gates
from carrywave.sim.witness.model import Model

CODE, RECORDS, ANSWERS, SIZE = 0x20000, 0x100000, 0x300000, 0x400000
FORMS = {
    # mov bx, [esi]; mov di, [esi + 2]; mov al, [bx + di]
    16: "66 8B 1E  66 8B 7E 02  67 8A 01",
    # xor ebx, ebx; mov bl, [esi]; add bl, [esi + 2]; mov al, [ebx]
    8: "31 DB  8A 1E  02 5E 02  8A 03",
}
NEXT = "88 02  83 C6 04  42  49"  # mov [edx], al; add esi, 4; inc edx; dec ecx
HIGHS = (0x02, 0x7F, 0xFF)  # of a base: any page, one whose sum changes sign, the last one


def addresses(width: int, base: npt.NDArray[np.uint16], index: npt.NDArray[np.uint16]) -> Any:
    """Where the engine reads."""
    body = bytes.fromhex(FORMS[width] + NEXT)
    code = body + b"\x75" + (-len(body) - 2).to_bytes(1, "little", signed=True)
    places = np.arange(1 << 16, dtype=np.uint16)
    found = np.zeros(len(base), np.uint16)
    for shift in (0, 8):
        engine = Uc(UC_ARCH_X86, UC_MODE_32)
        engine.mem_map(0, SIZE)
        engine.mem_write(0, (places >> shift).astype(np.uint8).tobytes())
        engine.mem_write(CODE, code)
        engine.mem_write(RECORDS, np.stack([base, index], axis=1).astype("<u2").tobytes())
        engine.reg_write(UC_X86_REG_ESI, RECORDS)
        engine.reg_write(UC_X86_REG_EDX, ANSWERS)
        engine.reg_write(UC_X86_REG_ECX, len(base))
        engine.emu_start(CODE, CODE + len(code), timeout=60_000_000)
        assert engine.reg_read(UC_X86_REG_ECX) == 0
        read = np.frombuffer(bytes(engine.mem_read(ANSWERS, len(base))), np.uint8)
        found |= read.astype(np.uint16) << np.uint16(shift)
    return found


def loads(
    name: str, mode: str, register: str, width: int, variant: str
) -> tuple[Cases, npt.NDArray[np.int64], npt.NDArray[np.bool_]]:
    """All low bytes of a base with all values of the index: cases, what is loaded, crossings.

    The operand lies where the engine adds it to, whatever the project says.
    """
    highs = HIGHS if width == 16 else (0,)
    high, low, index = (axis.ravel() for axis in np.meshgrid(highs, range(256), range(256)))
    where = addresses(width, (high << 8 | low).astype(np.uint16), index.astype(np.uint16))
    form = BY_MNEMONIC[name][mode]
    cases = np.zeros(len(where), CASE)
    cases["pc"], cases[register] = 0x0400, index
    m = np.random.default_rng(width).integers(0, 256, len(where))
    names = {"pc": 0x0400, register: index, "m": m, "pointer": 0x40}
    lay_reads(cases, form, {**names, "address.low": low, "address.high": high}, variant)
    cases["read_address"][:, len(form.reads) - 1] = where
    return cases, m, where >> 8 != high


@pytest.mark.parametrize("variant", ["nmos", "cmos"])
@pytest.mark.parametrize(
    ("name", "mode", "register", "width"),
    [
        ("LDA", "absolute,X", "x", 16), ("LDA", "absolute,Y", "y", 16),
        ("LDX", "absolute,Y", "y", 16), ("LDA", "(zero page),Y", "y", 16),
        ("LDA", "zero page,X", "x", 8), ("LDX", "zero page,Y", "y", 8),
    ],
)  # fmt: skip
def test_an_operand_lies_where_the_engine_adds_it_to(
    name: str, mode: str, register: str, width: int, variant: str
) -> None:
    cases, m, crossed = loads(name, mode, register, width, variant)
    gates = Gates(variant)
    for witness in (gates, Model(variant)):
        outcomes = witness.execute(cases)
        assert np.count_nonzero(outcomes["a" if name == "LDA" else "x"] != m) == 0
        usual = {"(zero page),Y": 5}.get(mode, 4)
        assert np.count_nonzero(outcomes["cycles"] != usual + crossed) == 0
    assert len(cases) == 65536 * (3 if width == 16 else 1)
    assert gates.off_bus == 0
    # Of the 65,536 sums of two bytes so many carry: 0 + 1 + ... + 255.
    assert crossed.sum() == (3 * 32640 if width == 16 else 0)


def test_a_carry_that_is_lost_would_be_seen() -> None:
    cases, m, crossed = loads("LDA", "absolute,X", "x", 16, "nmos")
    cases["read_address"][crossed, 3] -= 0x0100
    assert np.array_equal(Gates().execute(cases)["a"] != m, crossed)
