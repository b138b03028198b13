"""What a board has answered, kept in a file: it answers in the board's place."""

from __future__ import annotations

from typing import IO, Final, Self

import numpy as np

from ..cases.layout import CASE, OUTCOME, Cases, Outcomes
from ..emulator.called import EmulatorError
from ..system.errors import UnusableError
from ..witness.comparison import Witness

HEAD: Final = "carrywave board answers 1"


class AnswerKeeper:
    """A witness that writes down what another one answers: a line a case, both in hex."""

    def __init__(self, board: Witness, variant: str, file: IO[str]) -> None:
        self._board, self._file = board, file
        self.option = getattr(board, "option", None)
        self.complements = getattr(board, "complements", False)
        file.write(f"{HEAD} {variant}\n")

    def execute(self, cases: Cases) -> Outcomes:
        """Answers each case as the other one does."""
        outcomes = self._board.execute(cases)
        for case, outcome in zip(np.ravel(cases), np.ravel(outcomes), strict=True):
            self._file.write(f"{case.tobytes().hex()} {outcome.tobytes().hex()}\n")
        return outcomes


class KeptAnswers:
    """The witness that answers from such a file. Use as a context manager, as a board."""

    complements = True  # as a board does

    def __init__(self, path: str) -> None:
        """Raises UnusableError for a file that is none."""
        self.name, self.option, self.variant = path, f"--serial {path}", ""
        self._answers: dict[bytes, bytes] = {}
        try:
            with open(path, encoding="ascii", errors="replace") as file:
                head, _, self.variant = file.readline().rstrip("\n").rpartition(" ")
                if head != HEAD:
                    raise UnusableError(f"{path}: neither a port nor what --record has written")
                for number, line in enumerate(file, 2):
                    try:
                        case, outcome = map(bytes.fromhex, line.split(" "))
                    except ValueError:
                        case = outcome = b""
                    if (len(case), len(outcome)) != (CASE.itemsize, OUTCOME.itemsize):
                        raise UnusableError(f"{path}, line {number:,}: no case and outcome in hex")
                    self._answers[case] = outcome
        except OSError as error:
            raise UnusableError(f"{path}: {error.strerror}") from None

    def __enter__(self) -> Self:
        return self

    def __exit__(self, *_: object) -> None:
        pass

    def execute(self, cases: Cases) -> Outcomes:
        """Answers each case. Raises EmulatorError for one that was not recorded."""
        cases = np.asarray(cases)
        found = []
        for number, case in enumerate(cases.reshape(-1)):
            answer = self._answers.get(case.tobytes())
            if answer is None:
                what = "was not recorded: ask as it was asked then"
                raise EmulatorError(f"{self.name}: case {number:,} {what}", np.asarray(case))
            found.append(answer)
        return np.frombuffer(b"".join(found), OUTCOME).reshape(cases.shape)
