"""What all tests share: a cache of their own, the command line, hardware that is built once."""

from __future__ import annotations

import os
import sys
from collections.abc import Callable
from typing import Any

import pytest
from amaranth.sim import Simulator
from hypothesis import HealthCheck, settings
from tracked import untold

from carrywave.rtl.datapath import Unit
from carrywave.sim.cli import main as cli
from carrywave.sim.netlist.synthesis import Gate, Netlist
from carrywave.sim.witness import clocked

# No example fails for the machine's speed, and none is kept where the tests were started.
settings.register_profile(
    "house", deadline=None, suppress_health_check=[HealthCheck.too_slow], database=None
)
settings.load_profile("house")


def pytest_report_header() -> str | None:
    """Says what is judged where git does not tell what belongs to the project."""
    return f"judged: all files of the house's folders ({untold()})" if untold() else None


@pytest.fixture(scope="session", autouse=True)
def _own_cache(tmp_path_factory: pytest.TempPathFactory) -> Any:
    """Netlists and vectors are kept among pytest's own temporary files, for all its processes."""
    base = tmp_path_factory.getbasetemp()
    shared = base.parent if "PYTEST_XDIST_WORKER" in os.environ else base
    with pytest.MonkeyPatch.context() as patch:
        patch.setenv("CARRYWAVE_CACHE", str(shared / "cache"))
        yield


@pytest.fixture
def carrywave(
    monkeypatch: pytest.MonkeyPatch, capfd: pytest.CaptureFixture[str]
) -> Callable[..., tuple[int, str, str]]:
    """Runs the command line in this process: exit status, standard output, standard error."""

    def run(*arguments: object, columns: int = 80) -> tuple[int, str, str]:
        monkeypatch.setattr(sys, "argv", ["carrywave", *map(str, arguments)])
        monkeypatch.setenv("COLUMNS", str(columns))
        status = 0
        try:
            cli.main()
        except SystemExit as end:
            status = int(end.code or 0)
        return status, *capfd.readouterr()

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


@pytest.fixture
def one_simulator(monkeypatch: pytest.MonkeyPatch) -> None:
    """Keeps a variant's hardware from one operation to the next: building it takes the time."""
    units: dict[tuple[str, str], Unit] = {}
    simulators: dict[int, tuple[Any, list[Any]]] = {}

    def simulate(unit: Unit, testbench: Any) -> None:
        if id(unit) in simulators:
            simulator, job = simulators[id(unit)]
            job[0] = testbench
            simulator.reset()
        else:
            job, simulator = [testbench], Simulator(unit)
            simulator.add_clock(1e-6)

            async def current(ctx: Any) -> None:
                await job[0](ctx)

            simulator.add_testbench(current)
            simulators[id(unit)] = simulator, job
        simulator.run()

    def unit_of(variant: str, adder: str = "ripple") -> Unit:
        if (variant, adder) not in units:
            units[variant, adder] = Unit(variant, adder)
        return units[variant, adder]

    monkeypatch.setattr(clocked, "Unit", unit_of)
    monkeypatch.setattr(clocked, "simulate", simulate)


@pytest.fixture(scope="session")
def delayed() -> Callable[[Netlist, int], Netlist]:
    """Plants a gate that answers one gate delay later, and right in the end."""

    def delay(netlist: Netlist, late: int) -> Netlist:
        spare = 1 + max(gate.output for gate in netlist.gates)
        gates = [Gate(g.kind, spare, g.inputs) if g.output == late else g for g in netlist.gates]
        return netlist.replaced([*gates, Gate("OR", late, (spare, spare))])

    return delay
