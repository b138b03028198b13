"""Random cases, the same for the same seed; and those that are put to an emulator.

These are some of each instruction, "quick", or all that can matter, "full".
"""

from collections.abc import Collection, Iterable, Iterator
from functools import lru_cache
from pathlib import Path
from typing import Any, Final

import numpy as np
import numpy.typing as npt

from ..family.instructions import BY_OPCODE, INSTRUCTIONS, NAMES, Instruction
from ..family.members import EVENTS, VARIANTS
from .case_memory import possible
from .exhaustive import exhaustive_cases, exhaustive_count
from .kinds import BY_KEY, alike, forms_of, keys_of, lay_reads, symbols_of
from .layout import CASE, Cases, unnamed

QUICK: Final = 1024  # cases of an opcode or event, half of them at the corners
ENDS: Final = 48  # of these, at the ends of memory
CORNERS: Final = (
    0x00, 0x01, 0x02, 0x09, 0x0F, 0x10, 0x50, 0x7F, 0x80, 0x81, 0x99, 0x9A, 0xA0, 0xF0, 0xFE, 0xFF,
)  # fmt: skip


def sampled_cases(
    count: int,
    seed: int,
    instructions: Iterable[Instruction] = INSTRUCTIONS,
    events: Iterable[str] = EVENTS,
    variant: str = "nmos",
) -> Cases:
    """Random cases of the given opcodes and events.

    No byte is two things at once, so each case can be laid out in a memory.
    """
    rng = np.random.default_rng(seed)
    cases = np.zeros(count, CASE)
    for name in ("a", "x", "y", "sp", "p"):
        cases[name] = rng.integers(0, 256, count)
    opcodes = [one.opcode for one in instructions if one.opcode is not None]
    cases["read_value"][:, 0] = rng.choice(opcodes, count)
    cases["event"] = rng.choice([EVENTS.index(event) for event in events], count)
    # An interrupt is the rarer question: most of what can differ is in the instructions.
    if len(set(events)) > 1 and "instruction" in set(events):
        cases["event"][rng.random(count) < 0.8] = 0
    # Clear of the zero page, the stack and the vectors.
    cases["pc"] = rng.integers(0x0200, 0xFF00, count)
    for key, rows in alike(keys_of(cases)):
        left = rows
        while len(left):
            block, form = cases[left], BY_KEY[key]
            columns: dict[str, Any] = {
                name: block[name].astype(np.uint16) for name in ("pc", "sp", "x", "y")
            }
            columns |= {name: rng.integers(0, 256, len(block)) for name in form.reads}
            lay_reads(block, form, columns, variant)
            cases[left] = block
            left = left[~possible(block)]
    return cases


# What an emulator is put


def forms_named(names: Collection[str] = ()) -> dict[str, list[Instruction]]:
    """What names ask for, by mnemonic or event in the order of `NAMES`; everything by default.

    A name is one of `NAMES`, or an opcode in hex, "69". Raises ValueError for another.
    """
    opcodes = {f"{opcode:02X}" for opcode in BY_OPCODE}
    for name in names:
        if name not in NAMES and name not in opcodes:
            raise ValueError(
                f"instruction {name!r}: expected a mnemonic, an opcode in hex, IRQ, NMI or RESET"
            )
    found = {
        name: [
            form for form in forms_of(name)
            if not names or name in names
            or (form.opcode is not None and f"{form.opcode:02X}" in names)
        ]
        for name in NAMES
    }  # fmt: skip
    return {name: forms for name, forms in found.items() if forms}


def _sample_size(instruction: Instruction) -> int:
    # With D set these are another computation.
    return 2 * QUICK if instruction.mnemonic in ("ADC", "SBC") else QUICK


@lru_cache(maxsize=len(VARIANTS))
def compact_cases(variant: str = "nmos") -> Cases:
    """The compact sets of all variants, as `vectors.compact` finds them; a test makes them anew.

    Each was found for a variant of its own: the addresses are put right for this one.
    """
    sets = [np.load(Path(__file__).with_name(f"compact_{one}.npy")) for one in VARIANTS]
    cases = np.unique(np.concatenate([unnamed(one) for one in sets])).view(CASE)
    for key, rows in alike(keys_of(cases)):
        block = cases[rows]
        lay_reads(block, BY_KEY[key], symbols_of(block, BY_KEY[key]), variant)
        cases[rows] = block
    return np.unique(unnamed(cases)).view(CASE)


def _compact_of(instruction: Instruction, variant: str) -> Cases:
    cases = compact_cases(variant)
    event = _event_of(instruction)
    wanted = cases["event"] == event
    if not event:
        wanted &= cases["read_value"][:, 0] == instruction.opcode
    return cases.take(np.flatnonzero(wanted))


def _event_of(instruction: Instruction) -> int:
    return EVENTS.index(instruction.mnemonic) if instruction.opcode is None else 0


def quick_cases(instruction: Instruction, seed: int = 0, variant: str = "nmos") -> Cases:
    """Some cases of an opcode or event: random ones, some from the corners, the compact sets."""
    event = _event_of(instruction)
    place = 256 + event if instruction.opcode is None else instruction.opcode
    count = _sample_size(instruction)
    drawn = INSTRUCTIONS if event else (instruction,)
    cases = sampled_cases(count, seed * 512 + place, drawn, [EVENTS[event]], variant)
    half = cases[count // 2 :]
    drawn_first = half.copy()
    rng = np.random.default_rng([seed, place])

    def corners() -> npt.NDArray[np.uint8]:
        return rng.choice(np.array(CORNERS, np.uint8), len(half))

    for register in ("a", "x", "y", "sp"):
        half[register] = corners()
    for key, rows in alike(keys_of(half)):  # a masked IRQ is any instruction
        block, form = half[rows], BY_KEY[key]
        columns = symbols_of(block, form)
        for name in form.reads if not event else ():
            if name != "opcode":
                columns[name] = corners().astype(np.uint16)
        lay_reads(block, form, columns, variant)
        half[rows] = block
    if not event:
        _lay_at_ends(half[-ENDS:], rng, variant)
    # Where corners make one byte two things at once.
    left = ~possible(half)
    half[left] = drawn_first[left]
    return np.concatenate([unnamed(cases), unnamed(_compact_of(instruction, variant))]).view(CASE)


def _lay_at_ends(cases: Cases, rng: np.random.Generator, variant: str) -> None:
    """Puts cases where PC, a branch, a pointer or what is pulled goes from FFFF on to 0000."""
    for key, rows in alike(keys_of(cases)):
        block, form = cases[rows], BY_KEY[key]
        near = 0x80 if form.branches else 3
        # JMP (FFFF) by itself: what it reads then is not the same on CMOS.
        if "pointer.low" not in form.reads:
            block["pc"] = rng.integers(-near, near - 1, len(block)).astype(np.uint16)
        columns = symbols_of(block, form)
        for name in form.reads:
            if name.startswith(("pull", "pointer")):
                last = rng.random(len(block)) < 0.5
                columns[name] = np.where(last, np.uint16(0xFF), columns[name])
        lay_reads(block, form, columns, variant)
        cases[rows] = block


def count_cases(which: str, names: Collection[str] = ()) -> int:
    """How many cases there are, "quick" or "full"; a few of the full ones may be left out."""
    forms = [form for named in forms_named(names).values() for form in named]
    if which == "full":
        return sum(map(exhaustive_count, forms))
    return sum(len(_compact_of(form, "nmos")) + _sample_size(form) for form in forms)


def batches(
    instructions: Collection[Instruction], which: str, seed: int, variant: str
) -> Iterator[Cases]:
    """The cases of opcodes and events, "quick" or "full", one after another."""
    for instruction in instructions:
        if which == "full":
            yield from exhaustive_cases(instruction, variant)
        else:
            yield quick_cases(instruction, seed, variant)
