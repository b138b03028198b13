"""What can go wrong without being a mistake of ours: told in one line, with its exit status."""

from typing import ClassVar

AGREE, DISAGREE, UNUSABLE = 0, 1, 2


class UnusableError(Exception):
    """An input that cannot be used; the message is one line and says what to do.

    `details` are lines that follow it. The command line ends with `status`.
    """

    status: ClassVar[int] = UNUSABLE

    @property
    def details(self) -> list[str]:
        """What more there is to say."""
        return []
