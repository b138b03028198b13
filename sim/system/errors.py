"""What can go wrong without being a mistake of ours: told in one line, with its exit status."""

from typing import ClassVar

from .quoting import one_line

AGREE, DISAGREE, UNUSABLE = 0, 1, 2


class UnusableError(Exception):
    """An input that cannot be used; the message is one line and says what to do.

    Whatever an input puts into it, it stays one line of some hundred characters that a terminal can
    show. `details` are lines that follow it. The command line ends with `status`.
    """

    status: ClassVar[int] = UNUSABLE

    def __str__(self) -> str:
        return one_line(super().__str__())

    @property
    def summary(self) -> str:
        """The message, without what follows it."""
        return str(self)

    @property
    def details(self) -> list[str]:
        """What more there is to say."""
        return []
