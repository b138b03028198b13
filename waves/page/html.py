"""The page as one file: its parts put together, with a policy that lets nothing else in.

The scripts lie beside this file, in the order in which they need one another; those of `LOGIC`
know nothing of a page, so that they also run without one.
"""

from __future__ import annotations

import base64
import hashlib
import json
from collections.abc import Mapping, Sequence
from pathlib import Path
from typing import Any, Final

from carrywave.sim.family.members import VARIANTS
from carrywave.sim.netlist.synthesis import Netlist, drawn_netlist
from carrywave.sim.program.assembler import Program, assemble, text_of
from carrywave.sim.system.errors import UnusableError

LOGIC: Final = ("gates.js", "words.js", "claims.js", "machine.js")
SEEN: Final = (
    "drawing.js", "terms.js", "address.js", "chain.js", "circle.js", "operation.js", "map.js",
    "guess.js", "score.js", "clocks.js", "page.js",
)  # fmt: skip


def netlists() -> dict[str, Netlist]:
    """The gates of each variant. Raises NetlistError if they cannot be had."""
    return {variant: drawn_netlist(variant) for variant in VARIANTS}


def own_listings() -> list[Path]:
    """Those that come with the bench."""
    return sorted((Path(__file__).parents[1] / "programs").glob("*.s"))


def part(name: str) -> str:
    """A file of the page's source."""
    return (Path(__file__).parent / name).read_text(encoding="utf-8")


def data_of(gates: Mapping[str, Netlist], listings: Sequence[dict[str, Any]]) -> str:
    """All data as JSON, in which nothing can be taken for markup."""
    from .carried import places_of, words

    variants = {variant: places_of(netlist, variant) for variant, netlist in gates.items()}
    data = {**words(), "places": variants, "listings": listings}
    return json.dumps(data, separators=(",", ":")).replace("<", "\\u003c")


def script_of(gates: Mapping[str, Netlist], names: Sequence[str]) -> str:
    """The gates, compiled, and some of the page's scripts."""
    from .carried import scripts_of

    compiled = ",\n".join(
        f"{variant}:{{{','.join(f'{name}:{text}' for name, text in scripts.items())}}}"
        for variant, scripts in ((v, scripts_of(netlist, v)) for v, netlist in gates.items())
    )
    return "\n".join([f"const GATES={{{compiled}}};", *map(part, names)])


def read_listing(path: str) -> tuple[str, str, Program]:
    """A listing's name, its text and what it is assembled to. Raises ListingError."""
    text = text_of(path)
    return Path(path).name, text, assemble(text, path)


def page_of(paths: Sequence[str], gates: Mapping[str, Netlist] | None = None) -> str:
    """The page with some listings, or with the bench's own.

    Raises ListingError, UnusableError for two listings of one name, NetlistError.
    """
    read = [read_listing(path) for path in paths or map(str, own_listings())]
    names = [name for name, *_ in read]
    for name in names:
        if names.count(name) > 1:
            raise UnusableError(f"two listings are called {name}: the page tells them by name")
    # Before `carried`: once the hardware is loaded it is asked itself, not the user's cache.
    gates = netlists() if gates is None else gates
    from .carried import listing_of

    listings = [listing_of(*one) for one in read]
    script = script_of(gates, (*LOGIC, *SEEN))
    begin = 'const DATA=JSON.parse(document.getElementById("data").textContent);'
    script = f'"use strict";(()=>{{{begin}\n{script}}})();'
    style = part("page.css")
    policy = (
        f"default-src 'none'; script-src '{_digest(script)}'; style-src '{_digest(style)}'; "
        "img-src data:; base-uri 'none'; form-action 'none'"
    )
    parts = {
        "policy": policy, "style": style, "data": data_of(gates, listings), "script": script,
    }  # fmt: skip
    text = part("page.html")
    for name, content in parts.items():
        before, _, after = text.partition(f"<!--{name}-->" if name != "policy" else "POLICY")
        text = before + content + after
    return text


def _digest(text: str) -> str:
    """What the policy lets through: this text and no other."""
    return "sha256-" + base64.b64encode(hashlib.sha256(text.encode()).digest()).decode()
