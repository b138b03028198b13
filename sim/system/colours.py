"""What the terminal's colours mean."""

from typing import Final

# Roles, not decoration: what is 1, what is a carry that is 1, and what may be passed over.
ONE: Final = "bold"
CARRY: Final = "bold green"
QUIET: Final = "dim"
WRONG: Final = "bold red"
