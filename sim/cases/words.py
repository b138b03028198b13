"""A case in words."""

from __future__ import annotations

import json

from ..family.instructions import BY_OPCODE, EVENTS
from .kinds import instruction_of
from .layout import Cases, plain

__all__ = ["describe_case"]


def describe_case(case: Cases | None) -> list[str]:
    """A case in two lines for people and one for programs; no lines for none."""
    if case is None:
        return []
    name = instruction_of(case)
    code = " ".join(f"{byte:02X}" for byte in case["bytes"][: case["length"]])
    known = BY_OPCODE.get(int(case["bytes"][0]))
    facts = [
        f"{name} at {case['pc']:04X}" if name in EVENTS else f"{name} {code} at {case['pc']:04X}"
    ]
    if name not in EVENTS and known is not None and known.access:
        facts.append(f"operand {case['operand']:02X} at {case['address']:04X}")
    if name in ("PLA", "PLP", "RTS", "RTI"):
        facts.append(f"above SP {' '.join(f'{byte:02X}' for byte in case['pulled'])}")
    if name in EVENTS or name == "BRK":
        facts.append(f"vector {case['vector']:04X}")
    registers = " ".join(f"{name}={case[name]:02X}" for name in ("a", "x", "y", "sp", "p"))
    return ["; ".join(facts), registers, json.dumps(plain(case), separators=(",", ":"))]
