"""A mistake as a change to the model, and the model with mistakes made in it."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, field, replace
from typing import Any, Final

import numpy as np

from ..cases.layout import Cases, Outcomes
from ..family.instructions import Instruction
from ..family.members import VARIANTS
from ..witness.model import Model, State

Column = Any
#: Told the mnemonic or event, the state before, the right one after it, which it edits, and the
#: variant.
Edit = Callable[[str, State, State, str], None]

_MASK_I: Final = 4  # in the status byte


@dataclass(frozen=True)
class Mistake:
    """One mistake: what is wrong, and what it changes in a right outcome.

    `cause` and `change` are for whoever made it: "V is the carry out", "V must be carry 8 XOR
    carry 7". `count` is how many inputs expose it, as documented: of all A, M and C in binary, of
    the 20,000 with valid digits in decimal; `note` says of which instruction or field, where it is
    not all of them. `modes` says in which modes of arithmetic it is made: "binary", "decimal" or
    "both".
    """

    number: int
    name: str
    title: str
    cause: str
    change: str
    mnemonics: frozenset[str]  # of instructions, and "IRQ", "NMI", "RESET"
    edit: Edit = field(repr=False, compare=False)
    variants: tuple[str, ...] = VARIANTS
    count: int | None = None
    note: str = ""
    modes: str = "both"
    stage: int = 1  # among several in one instruction: 0 changes results, 2 what others have pushed
    unless_masked: bool = False  # with I set nothing is pushed at all

    def apply(self, mnemonic: str, before: State, after: State, variant: str) -> None:
        """Edits the columns of `after`, the right state, as the mistake would have left them."""
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

    def _made_in(self, mnemonic: str) -> list[Mistake]:
        return [mistake for mistake in self.mistakes if mnemonic in mistake.mnemonics]

    def perform(self, name: str, s: State) -> None:
        """As the model does, then as the mistakes would have it."""
        before = s.copy()
        super().perform(name, s)
        for mistake in self._made_in(name):
            mistake.apply(name, before, s, self.variant)

    def _execute_alike(self, cases: Cases, instruction: Instruction) -> Outcomes:
        outcomes = super()._execute_alike(cases, instruction)
        # A state's pushes are the same for all its rows, so these can only be taken back here.
        if any(mistake.unless_masked for mistake in self._made_in(instruction.mnemonic)):
            masked = cases["p"] & _MASK_I != 0
            for what in ("writes", "write_value", "write_address"):
                outcomes[what][masked] = 0
        return outcomes


class Chapter(list[Mistake]):
    """The mistakes in one part of what a processor does; `common` is what most of them have."""

    def __init__(self, **common: Any) -> None:
        self.common = common

    def mistake(
        self, number: int, title: str, mnemonics: str, **more: Any
    ) -> Callable[[Edit], Edit]:
        """Enters the edit below it under the edit's own name; `more` as `Mistake` has it."""

        def enter(edit: Edit) -> Edit:
            name = edit.__name__.strip("_").replace("_", "-")
            told = {**self.common, **more, "mnemonics": frozenset(mnemonics.split())}
            self.append(Mistake(number, name, title, edit=edit, **told))
            return edit

        return enter


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
