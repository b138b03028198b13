"""The software: witnesses, cases, their comparison, and the command line.

The public names, imported from here or from their modules:

witnesses
    `Model` answers from plain arithmetic, `Gates` from the netlist, `Clocked` from the RTL clock
    by clock. A user's emulator is a `Library`, a `PythonFunction` or a `Pipe`, each in a process of
    its own: use it as a context manager. Anything with `execute(cases) -> outcomes` is a witness.
cases
    `CASE` and `OUTCOME` are the NumPy dtypes of what is asked and answered, an array of records
    each. `exhaustive_cases(instruction)` yields every input that can matter to an instruction of
    `carrywave.sim.family` or to "IRQ", "NMI" or "RESET"; `sampled_cases(count, seed)` are random.
comparison
    `compare(reference, subject, cases)` puts the same cases to both and returns a `Comparison`:
    whether they agree, how many cases differ, in which instructions and fields, and the first.

    >>> from carrywave.sim import Gates, Model, compare, sampled_cases
    >>> compare(Gates(), Model(), sampled_cases(1000, seed=1)).agree
    True
"""

from __future__ import annotations

from importlib import import_module

TYPE_CHECKING = False  # `typing` would take its time, in which no signal is heard
if TYPE_CHECKING:
    from typing import Any

    from .cases.exhaustive import exhaustive_cases
    from .cases.layout import CASE, OUTCOME
    from .cases.sampled import sampled_cases
    from .emulator.called import Library, PythonFunction
    from .emulator.pipe import Pipe
    from .witness.clocked import Clocked
    from .witness.comparison import Comparison, compare
    from .witness.gates import Gates
    from .witness.model import Model

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
    "CASE": "cases.layout", "OUTCOME": "cases.layout",
    "exhaustive_cases": "cases.exhaustive", "sampled_cases": "cases.sampled",
    "Clocked": "witness.clocked", "Comparison": "witness.comparison",
    "compare": "witness.comparison", "Gates": "witness.gates", "Model": "witness.model",
    "Library": "emulator.called", "PythonFunction": "emulator.called", "Pipe": "emulator.pipe",
}  # fmt: skip


def __getattr__(name: str) -> Any:
    if name not in _HOMES:
        raise AttributeError(f"module {__name__!r} has no attribute {name!r}")
    value = getattr(import_module(f".{_HOMES[name]}", __name__), name)
    globals()[name] = value
    return value


def __dir__() -> list[str]:
    return sorted({*globals(), *__all__})
