"""The compact sets that are shipped, found anew: `python tests/anew.py` in the top folder, by hand.

Says whether each is the one that is found now, writes those that are not, and what they were found
from. That takes minutes each; the tests hold what they were found from, and what they show.
"""

from __future__ import annotations

import hashlib
import json
from pathlib import Path
from typing import Final

import numpy as np

from carrywave.sim.cases import sampled
from carrywave.sim.cases.layout import Cases
from carrywave.sim.family.members import VARIANTS
from carrywave.sim.netlist.synthesis import drawn_netlist
from carrywave.sim.vectors import compact

FOUND_FROM: Final = Path(__file__).parent / "sim" / "vectors" / "found_from.json"


def _file(variant: str) -> Path:
    return Path(sampled.__file__).with_name(f"compact_{variant}.npy")


def shipped(variant: str) -> Cases:
    """The set of a variant as it is shipped."""
    cases: Cases = np.load(_file(variant))
    return cases


def found_from(variant: str) -> str:
    """A digest of all that a set follows from: gates, cases, and the mistakes and their places."""
    netlist = drawn_netlist(variant)
    digest = hashlib.sha256(repr((netlist.gates, netlist.flops, netlist.output_wires)).encode())
    for one_in in (compact.POOL, compact.WIDE):
        digest.update(compact._sampled(one_in, variant).tobytes())
    for mistake, name in compact._targets(variant):
        digest.update(repr((mistake.number, mistake.modes, name)).encode())
    return digest.hexdigest()


def main() -> None:
    """Finds each set anew."""
    kept = {}
    for variant in VARIANTS:
        cases = compact.compact(variant).cases
        same = cases.tobytes() == shipped(variant).tobytes()
        print(f"{variant}: {len(cases)} cases,", "as shipped" if same else "others: written")
        if not same:
            np.save(_file(variant), cases)
        kept[variant] = found_from(variant)
    FOUND_FROM.write_text(json.dumps(kept, indent=1) + "\n")


if __name__ == "__main__":
    main()
