"""The software: witnesses, cases, their comparison, and the command line.

The public names, imported from here or from their modules:

witnesses
    `Model` answers from plain arithmetic, `Gates` from the netlist, `Clocked` from the RTL clock
    by clock. A user's emulator is a `Library`, a `PythonFunction` or a `Pipe`, each in a process of
    its own: use it as a context manager. Anything with `execute(cases) -> outcomes` is a witness.
cases
    `CASE` and `OUTCOME` are the NumPy dtypes of what is asked and answered, an array of records
    each. `exhaustive_cases(entry)` yields every input that can matter to an instruction of
    `carrywave.sim.isa` or to "IRQ", "NMI" or "RESET"; `sampled_cases(count, seed)` are random ones.
comparison
    `compare(reference, subject, cases)` puts the same cases to both and returns a `Comparison`:
    whether they agree, how many cases differ, in which instructions and fields, and the first.

    >>> from carrywave.sim import Gates, Model, compare, sampled_cases
    >>> compare(Gates(), Model(), sampled_cases(1000, seed=1)).agree
    True
"""

from __future__ import annotations

import sys
from importlib import import_module
from types import ModuleType
from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    from .cases import CASE, OUTCOME, exhaustive_cases, sampled_cases
    from .clocked import Clocked
    from .compare import Comparison, compare
    from .emulator import Library, PythonFunction
    from .gates import Gates
    from .model import Model
    from .pipe import Pipe

__all__ = [
    "CASE",
    "OUTCOME",
    "Clocked",
    "Comparison",
    "Gates",
    "Library",
    "Model",
    "Pipe",
    "PythonFunction",
    "compare",
    "exhaustive_cases",
    "sampled_cases",
]

# Where each lives. Imported when asked for: the command line must start in a blink.
_HOMES = {
    "CASE": "cases", "OUTCOME": "cases", "exhaustive_cases": "cases", "sampled_cases": "cases",
    "Clocked": "clocked", "Comparison": "compare", "compare": "compare", "Gates": "gates",
    "Library": "emulator", "PythonFunction": "emulator", "Model": "model", "Pipe": "pipe",
}  # fmt: skip


def __getattr__(name: str) -> Any:
    if name not in _HOMES:
        raise AttributeError(f"module {__name__!r} has no attribute {name!r}")
    value = getattr(import_module(f".{_HOMES[name]}", __name__), name)
    globals()[name] = value
    return value


def __dir__() -> list[str]:
    return sorted({*globals(), *__all__})


class _Package(ModuleType):
    """A package in which `compare` is the function, although a module of it has that name.

    When a module has been imported, Python sets it in its package, over what was there.
    """

    def __setattr__(self, name: str, value: Any) -> None:
        if name == "compare" and isinstance(value, ModuleType):
            value = value.compare
        super().__setattr__(name, value)


sys.modules[__name__].__class__ = _Package
