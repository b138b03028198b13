"""A case in words."""

import json

import numpy as np

from .kinds import BY_KEY, keys_of, name_of_key
from .layout import Cases, plain


def facts_of(case: Cases) -> list[str]:
    """What a case reads beside its instruction: the operand and where it lies, what is pulled."""
    key = int(keys_of(np.asarray(case).reshape(1))[0])
    if key not in BY_KEY:
        return []
    facts, pulled, vector = [], [], 0
    pairs = zip(case["read_address"].tolist(), case["read_value"].tolist(), strict=True)
    length = BY_KEY[key].mode.length
    for name, (address, value) in list(zip(BY_KEY[key].reads, pairs, strict=False))[length:]:
        if name == "m":
            facts.append(f"operand {value:02X} at {address:04X}")
        elif name.startswith("pull"):
            pulled.append(f"{value:02X}")
        elif name == "vector.low":
            vector = value
        elif name == "vector.high":
            facts.append(f"vector {value:02X}{vector:02X}")
    return [*facts, *([f"above SP {' '.join(pulled)}"] if pulled else [])]


def code_of(case: Cases) -> str:
    """The bytes of a case's instruction in hex; nothing for an event."""
    key = int(keys_of(np.asarray(case).reshape(1))[0])
    length = BY_KEY[key].mode.length if key in BY_KEY else 1
    return " ".join(f"{byte:02X}" for byte in case["read_value"][:length].tolist())


def describe_case(case: Cases | None) -> list[str]:
    """A case in two lines for people and one for programs; no lines for none."""
    if case is None:
        return []
    name = name_of_key(int(keys_of(np.asarray(case).reshape(1))[0]))
    head = f"{name} {code_of(case)}".rstrip()
    registers = " ".join(f"{name}={case[name]:02X}" for name in ("a", "x", "y", "sp", "p"))
    return [
        "; ".join([f"{head} at {case['pc']:04X}", *facts_of(case)]),
        registers,
        json.dumps(plain(case), separators=(",", ":")),
    ]
