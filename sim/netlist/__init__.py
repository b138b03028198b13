"""The gates: what Yosys makes of the RTL, compiled to answer many cases at once."""

from typing import Final

#: The forms of the ALU's adder; no instruction can tell them apart.
ADDERS: Final = ("ripple", "lookahead", "prefix")
