"""The pytest plugin: the fixture `carrywave_gates`, which puts a function beside the gates.

pytest imports this at every start, used or not: nothing heavy is imported before it is needed.
"""

from __future__ import annotations

from collections.abc import Callable, Collection
from typing import TYPE_CHECKING, Any

import pytest

from ..family.members import VARIANTS

if TYPE_CHECKING:
    from ..cases.layout import Cases, Outcomes
    from ..witness.gates import Gates

WIDTH = 96  # of a report: it is shown indented


def pytest_addoption(parser: pytest.Parser) -> None:
    """Adds the option."""
    parser.getgroup("carrywave").addoption(
        "--carrywave-variant",
        choices=VARIANTS,
        default="nmos",
        help="The member of the family that `carrywave_gates` is; nmos by default.",
    )


@pytest.fixture(scope="session")
def carrywave_gates(pytestconfig: pytest.Config) -> CarrywaveGates:
    """The gates, to check a function against: `carrywave_gates.check(my_execute)`."""
    return CarrywaveGates(pytestconfig.getoption("carrywave_variant"))


class CarrywaveGates:
    """The gates of a variant. Nothing is made before the first check."""

    def __init__(self, variant: str = "nmos") -> None:
        self.variant = variant
        self._gates: Gates | None = None

    def check(
        self,
        execute: Callable[[Any], Any],
        names: Collection[str] | None = None,
        cases: str = "quick",
        arrays: bool = False,
        skip: Collection[str] = (),
    ) -> int:
        """Fails the test with the report of `carrywave compare` unless all cases agree.

        `execute` is called in this process, as `PythonFunction` documents: with a case at a time,
        or with `arrays` with whole arrays. `names` are mnemonics, IRQ, NMI or RESET, all by
        default; `cases` is "quick" or "full"; `skip` names fields that are not compared. Returns
        how many cases were compared. What `execute` raises is raised, with its case in a note.
        """
        __tracebackhide__ = True
        from ..witness.gates import Gates
        from .host import BadAnswerError
        from .verdict import judge

        if cases not in ("quick", "full"):
            raise ValueError(f"cases {cases!r}: expected 'quick' or 'full'")
        if isinstance(names, str):
            raise ValueError(f"names {names!r}: expected a list of names")
        if names is not None and not names:
            raise ValueError("no instruction is left to compare")
        if self._gates is None:
            self._gates = Gates(self.variant)
        chosen = [name.upper() for name in names or ()]
        try:
            verdict = judge(
                _InProcess(execute, arrays), self.variant, chosen, cases,
                skip=skip, gates=self._gates,
            )  # fmt: skip
        except BadAnswerError as error:
            notes = getattr(error, "__notes__", [])
            pytest.fail("\n".join([str(error), *notes]), pytrace=False)
        if not verdict.agree:
            pytest.fail(_report(verdict), pytrace=False)
        return verdict.comparison.cases


def _report(verdict: Any) -> str:
    import io

    from rich.console import Console

    from .report import draw_verdict

    text = io.StringIO()
    draw_verdict(verdict, Console(file=text, width=WIDTH, color_system=None, force_terminal=False))
    return text.getvalue().rstrip()


class _InProcess:
    """A function of the user's as a witness, called where the test runs."""

    def __init__(self, execute: Callable[[Any], Any], arrays: bool) -> None:
        self._call, self._arrays = execute, arrays
        self.outside: dict[int, dict[str, str]] = {}

    def execute(self, cases: Cases) -> Outcomes:
        """Answers each case. Raises BadAnswerError or what the function raises."""
        import struct

        import numpy as np

        from ..cases.kinds import describe_case
        from ..cases.layout import CASE_LAYOUT, OUTCOME, OUTCOME_LAYOUT
        from .host import array_of, case_maker, format_of, packer

        self.outside = {}
        if self._arrays:
            # A copy: the function may write to it.
            answer: Outcomes = array_of(self._call(cases.copy()), OUTCOME, cases.shape)
            return answer
        case_of, packed = case_maker(CASE_LAYOUT), packer(OUTCOME_LAYOUT)
        unpack = struct.Struct(format_of(CASE_LAYOUT)).iter_unpack
        answers = []
        for i, numbers in enumerate(unpack(cases.tobytes())):
            try:
                record, outside = packed(self._call(case_of(numbers)))
            except Exception as error:
                for line in describe_case(cases[i]):
                    error.add_note(line)
                raise
            answers.append(record)
            if outside:
                self.outside[i] = outside
        return np.frombuffer(b"".join(answers), OUTCOME)
