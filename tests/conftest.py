"""What all tests share: a cache of their own, the command line, hardware that is built once."""

from __future__ import annotations

import fcntl
import hashlib
import os
import signal
import sys
from collections.abc import Callable, Sequence
from pathlib import Path
from typing import Any

import pytest
from hypothesis import HealthCheck, settings
from tracked import untold

from carrywave.sim.cli import main as cli
from carrywave.sim.netlist import cost
from carrywave.sim.netlist import synthesis as netlist
from carrywave.sim.netlist.synthesis import Gate, Netlist

# No example fails for the machine's speed, and none is kept where the tests were started.
settings.register_profile(
    "house", deadline=None, suppress_health_check=[HealthCheck.too_slow], database=None
)
settings.load_profile("house")


# A shell starts what it puts into the background with Ctrl-C ignored, and whoever that starts would
# ignore it too: tests that send it wait in vain.
if signal.getsignal(signal.SIGINT) is signal.SIG_IGN:
    signal.signal(signal.SIGINT, signal.default_int_handler)
if signal.getsignal(signal.SIGHUP) is signal.SIG_IGN:  # as under nohup
    signal.signal(signal.SIGHUP, signal.SIG_DFL)


def pytest_report_header() -> str | None:
    """Says what is judged where git does not tell what belongs to the project."""
    return f"judged: all files of the house's folders ({untold()})" if untold() else None


BESIDE_OTHERS = "PYTEST_XDIST_WORKER" in os.environ


@pytest.fixture(scope="session")
def shared(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A folder among pytest's own temporary files, for all its processes."""
    base = tmp_path_factory.getbasetemp()
    return base.parent if BESIDE_OTHERS else base


@pytest.fixture(scope="session", autouse=True)
def _own_cache(shared: Path) -> Any:
    """Netlists and vectors are kept there."""
    with pytest.MonkeyPatch.context() as patch:
        patch.setenv("CARRYWAVE_CACHE", str(shared / "cache"))
        yield


@pytest.fixture(scope="session", autouse=True)
def _one_processor_each() -> Any:
    """Pytest's processes have all processors at work: in them commands start no others by default.

    How work is shared among processes is tested with a number of them that is asked for.
    """
    with pytest.MonkeyPatch.context() as patch:
        if BESIDE_OTHERS:
            patch.setattr(os, "sched_getaffinity", lambda pid: {0}, raising=False)
            patch.setattr(os, "cpu_count", lambda: 1)
        yield


@pytest.fixture(scope="session")
def made_once(shared: Path) -> Callable[[str, Callable[[], bytes]], bytes]:
    """What the first of pytest's processes makes that asks for it by name; the others wait."""
    folder = shared / "made"
    folder.mkdir(exist_ok=True)

    def get(name: str, make: Callable[[], bytes]) -> bytes:
        with (folder / hashlib.sha256(name.encode()).hexdigest()).open("a+b") as file:
            fcntl.flock(file, fcntl.LOCK_EX)
            file.seek(0)
            made = file.read()
            if not made:
                made = make()
                file.write(made)
        return made

    return get


@pytest.fixture(scope="session", autouse=True)
def _yosys_once(made_once: Callable[[str, Callable[[], bytes]], bytes]) -> Any:
    """Yosys runs once for the same design, script and build of it, whatever cache a test has.

    Where a test itself asks it, with the function that it has imported, it runs each time.
    """
    run = netlist.run_yosys

    def once(rtlil: str, script: Sequence[str], suffix: str) -> str:
        if not rtlil:  # it reads a file, which may be another each time
            return run(rtlil, script, suffix)
        key = "\0".join((netlist.CHILD, rtlil, *script, suffix))
        return made_once(key, lambda: run(rtlil, script, suffix).encode()).decode()

    with pytest.MonkeyPatch.context() as patch:
        for module in (netlist, cost):
            patch.setattr(module, "run_yosys", once)
        yield


@pytest.fixture
def carrywave(
    monkeypatch: pytest.MonkeyPatch, capfd: pytest.CaptureFixture[str]
) -> Callable[..., tuple[int, str, str]]:
    """Runs the command line in this process: exit status, standard output, standard error."""

    def run(*arguments: object, columns: int = 80) -> tuple[int, str, str]:
        monkeypatch.setattr(sys, "argv", ["carrywave", *map(str, arguments)])
        monkeypatch.setenv("COLUMNS", str(columns))
        return cli.run(), *capfd.readouterr()

    return run


@pytest.fixture
def count_calls() -> Callable[..., tuple[Any, int]]:
    """Computes something and counts the functions that it calls: how much work, on any machine."""

    def run(compute: Callable[..., Any], *given: Any) -> tuple[Any, int]:
        calls = 0

        def count(frame: Any, event: str, argument: Any) -> None:
            nonlocal calls
            calls += event == "call"

        before = sys.getprofile()
        sys.setprofile(count)
        try:
            return compute(*given), calls
        finally:
            sys.setprofile(before)

    return run


@pytest.fixture(scope="session")
def delayed() -> Callable[[Netlist, int], Netlist]:
    """Plants a gate that answers one gate delay later, and right in the end."""

    def delay(netlist: Netlist, late: int) -> Netlist:
        spare = 1 + max(gate.output for gate in netlist.gates)
        gates = [Gate(g.kind, spare, g.inputs) if g.output == late else g for g in netlist.gates]
        return netlist.replaced([*gates, Gate("OR", late, (spare, spare))])

    return delay


def pytest_collection_modifyitems(items: list[pytest.Item]) -> None:
    """Begins with the longest, lest one process be left with it at the end."""
    items.sort(key=lambda item: item.get_closest_marker("begun_first") is None)
