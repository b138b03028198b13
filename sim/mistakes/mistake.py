"""A mistake as a change to the model, and the model with mistakes made in it."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, field, replace
from typing import Any, Final

import numpy as np

from ..cases.case_memory import Places, reread
from ..cases.kinds import symbols_of
from ..cases.layout import Cases, Outcomes
from ..family.instructions import INSTRUCTIONS, Instruction
from ..family.members import VARIANTS
from ..witness.model import Model, State

Column = Any
#: Told the mnemonic or event, the state before, the right one after it, which it edits, and the
#: variant.
Edit = Callable[[str, State, State, str], None]
#: Told an instruction and the variant: where bytes are looked for, by name, and stored.
Sought = Callable[[Instruction, str], Places]

_MASK_I: Final = 4  # in the status byte


def everywhere(one: Instruction) -> bool:
    """Made in each of its instructions."""
    return True


@dataclass(frozen=True)
class Mistake:
    """One mistake: what is wrong, and what it changes in a right outcome.

    `cause` and `change` are for whoever made it: "V is the carry out", "V must be carry 8 XOR
    carry 7". `edit` changes what is left, `places` where bytes are looked for and stored; either
    is made in the instructions that it is `made_in`. `count` is how many inputs expose it, as
    documented: of all A, M and C in binary, of the 20,000 with valid digits in decimal; where
    `cases` is "places", of all low bytes of a base, or places of a pointer, with all of an index;
    where it is "branches", of all low bytes of PC with all offsets; "page FF" is on a base there,
    "carry" with C set; `note` says of which
    instruction or field, where it is not all of them. `modes` says in which modes of arithmetic it
    is made: "binary", "decimal" or "both".
    """

    number: int
    name: str
    title: str
    cause: str
    change: str
    mnemonics: frozenset[str]  # of instructions, and "IRQ", "NMI", "RESET"
    edit: Edit | None = field(repr=False, compare=False, default=None)
    places: Sought | None = field(repr=False, compare=False, default=None)
    made_in: Callable[[Instruction], object] = field(repr=False, compare=False, default=everywhere)
    cases: str = ""
    variants: tuple[str, ...] = VARIANTS
    count: int | None = None
    note: str = ""
    modes: str = "both"
    stage: int = 1  # among several: -1 changes what is read, 0 results, 2 what others have pushed
    unless_masked: bool = False  # with I set nothing is pushed at all
    timed: bool = False  # the clock for a crossing is that of the wrong address

    def apply(self, mnemonic: str, before: State, after: State, variant: str) -> None:
        """Edits the columns of `after`, the right state, as the mistake would have left them."""
        if self.edit is None:
            return
        if self.modes == "both":
            self.edit(mnemonic, before, after, variant)
            return
        decimal = before.d * (variant != "binary")
        rows = decimal == int(self.modes == "decimal")
        edited = after.copy()
        self.edit(mnemonic, before, edited, variant)
        for column in ("a", "n", "v", "z", "c"):
            chosen = np.where(rows, getattr(edited, column), getattr(after, column))
            setattr(after, column, chosen)

    def variations(self) -> tuple[Mistake, ...]:
        """This one first, then the same mistake made in other modes of ADC and SBC.

        Whether one formula serves both modes is each emulator's own affair.
        """
        if self.modes != "binary":
            return (self,)
        return (self, replace(self, modes="both"), replace(self, modes="decimal"))

    def with_its_clocks(self) -> Mistake:
        """The same, where whoever forms the wrong address judges the crossing by it, too."""
        return replace(self, timed=True)


class Mistaken(Model):
    """The model with one or more mistakes made in it: a witness to be found out."""

    def __init__(self, *mistakes: Mistake, variant: str = "nmos") -> None:
        """Raises ValueError without a mistake, or for one that the variant cannot make."""
        super().__init__(variant)
        if not mistakes:
            raise ValueError("no mistake given: that is the model")
        for mistake in mistakes:
            if variant not in mistake.variants:
                made = ", ".join(mistake.variants)
                raise ValueError(
                    f"mistake {mistake.number} ({mistake.name}): made in {made}, not in {variant}"
                )
        self.mistakes = tuple(sorted(mistakes, key=lambda mistake: (mistake.stage, mistake.number)))

    def _made_in(self, mnemonic: str, instruction: Instruction | None) -> list[Mistake]:
        return [
            mistake
            for mistake in self.mistakes
            if mnemonic in mistake.mnemonics
            and (instruction is None or mistake.made_in(instruction))
        ]

    def perform(self, name: str, s: State) -> None:
        """As the model does, then as the mistakes would have it."""
        before = s.copy()
        super().perform(name, s)
        for mistake in self._made_in(name, s.instruction):
            mistake.apply(name, before, s, self.variant)

    def _execute_alike(self, cases: Cases, instruction: Instruction) -> Outcomes:
        sought: dict[str, Any] = {}
        made = self._made_in(instruction.mnemonic, instruction)
        for mistake in made:
            if mistake.places is not None:
                sought |= mistake.places(instruction, self.variant)
        if sought:
            cases = reread(cases, cases, self.variant, lambda form, _: sought)
        outcomes = super()._execute_alike(cases, instruction)
        if "stored" in sought and instruction.access in ("write", "modify"):
            where = sought["stored"](_wide(cases, instruction))
            for i in range(int(outcomes["writes"][0])):
                outcomes["write_address"][:, i] = where
        crossing = instruction.mode.crossing
        if crossing and "m" in sought and any(mistake.timed for mistake in made):
            found = _wide(cases, instruction)
            base, right = (page.over(found) for page in crossing)
            wrong = np.asarray(sought["m"](found)) >> 8
            outcomes["cycles"] += (wrong != base).astype(np.uint8) - (right != base)
        if "stored first" in sought:
            outcomes["write_address"][:, 0] = sought["stored first"](_wide(cases, instruction))
        # A state's pushes are the same for all its rows, so these can only be taken back here.
        if any(mistake.unless_masked for mistake in made):
            masked = cases["p"] & _MASK_I != 0
            for what in ("writes", "write_value", "write_address"):
                outcomes[what][masked] = 0
        return outcomes


def _wide(cases: Cases, instruction: Instruction) -> dict[str, Any]:
    """Registers and bytes by name, in columns that hold sums of addresses."""
    return {name: one.astype(np.int32) for name, one in symbols_of(cases, instruction).items()}


class Chapter(list[Mistake]):
    """The mistakes in one part of what a processor does; `common` is what most of them have."""

    def __init__(self, **common: Any) -> None:
        self.common = common

    def mistake(
        self, number: int, title: str, mnemonics: str = "", **more: Any
    ) -> Callable[[Edit], Edit]:
        """Enters the edit below it under the edit's own name; `more` as `Mistake` has it."""

        def enter(edit: Edit) -> Edit:
            self._enter(number, title, edit.__name__, mnemonics, edit=edit, **more)
            return edit

        return enter

    def places(
        self, number: int, title: str, made_in: Callable[[Instruction], object], **more: Any
    ) -> Callable[[Sought], Sought]:
        """The same for what is looked for elsewhere, in the instructions that it is made in."""

        def enter(sought: Sought) -> Sought:
            self._enter(number, title, sought.__name__, places=sought, made_in=made_in, **more)
            return sought

        return enter

    def _enter(self, number: int, title: str, name: str, mnemonics: str = "", **told: Any) -> None:
        names = mnemonics.split() or [one.mnemonic for one in INSTRUCTIONS if told["made_in"](one)]
        told = {**self.common, **told, "mnemonics": frozenset(names)}
        self.append(Mistake(number, name.strip("_").replace("_", "-"), title, **told))


def again(name: str, before: State, variant: str, **other: Column) -> State:
    """What the right instruction makes of other inputs."""
    state = before.copy()
    state.__dict__.update(other)
    Model(variant).perform(name, state)
    return state


def adopt(after: State, other: State, names: str) -> None:
    """Takes the columns named from another state."""
    for name in names.split():
        setattr(after, name, getattr(other, name))
