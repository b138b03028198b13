"""A Boolean formula of named truths, worked out over columns and written as text."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from functools import reduce
from typing import Any, Final

_OVER: Final = {
    "and": lambda a, b: a & b,
    "or": lambda a, b: a | b,
    "!=": lambda a, b: a ^ b,
    "==": lambda a, b: ~(a ^ b),
}


@dataclass(frozen=True, slots=True)
class Formula:
    """A name, or an operator and what it joins.

    `operator` is "" for a name, "not", "and", "or", "!=" or "==".
    """

    operator: str
    operands: tuple[Any, ...]  # formulas; or one name

    def __invert__(self) -> Formula:
        """The opposite."""
        inner: Formula = self.operands[0]
        return inner if self.operator == "not" else Formula("not", (self,))

    @property
    def names(self) -> frozenset[str]:
        """Those it mentions."""
        if not self.operator:
            return frozenset(self.operands)
        return frozenset().union(*(part.names for part in self.operands))

    def over(self, columns: Mapping[str, Any]) -> Any:
        """Its value in each row, given the columns of its names, of type bool."""
        if not self.operator:
            return columns[self.operands[0]]
        values = [part.over(columns) for part in self.operands]
        return ~values[0] if self.operator == "not" else reduce(_OVER[self.operator], values)

    def text(self, words: Mapping[str, str]) -> str:
        """As `str` writes it, with other words for some operators."""
        if not self.operator:
            return str(self.operands[0])
        parts = [part._inside(words) for part in self.operands]
        operator = words.get(self.operator, self.operator)
        return f"{operator} {parts[0]}" if len(parts) == 1 else f" {operator} ".join(parts)

    def _inside(self, words: Mapping[str, str]) -> str:
        """In brackets where it would not hold together, as a name like `A >= M` would not."""
        text = self.text(words)
        whole = self.operator == "not" or not (self.operator or set("=>+") & set(text))
        return text if whole else f"({text})"

    def __str__(self) -> str:
        return self.text({})


def named(name: str) -> Formula:
    """A truth by itself."""
    return Formula("", (name,))
