"""A trace's parts on a Dask cluster: the same report as alone, and every way that it cannot be."""

from __future__ import annotations

import asyncio
import json
import os
import signal
import socket
import subprocess
import sys
import time
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import replace
from pathlib import Path
from typing import Any

import pytest
from emulated import drawn, emulated, without, written

from carrywave.sim.system.workers import Work, WorkerError
from carrywave.sim.trace import checking
from carrywave.sim.trace import cluster as module
from carrywave.sim.trace.checking import compare_trace
from carrywave.sim.trace.cluster import cluster
from carrywave.sim.trace.memory import Memory
from carrywave.sim.trace.parts import TraceError
from carrywave.sim.trace.report import TraceReport

PARTS, ROWS = 12, 40
THREADS = {
    "threads_per_worker": 1, "processes": False, "protocol": "tcp", "memory_limit": None,
    "dashboard_address": "127.0.0.1:0", "silence_logs": "CRITICAL",
}  # fmt: skip
COUNTER = 0x12  # the address of what the emulated program counts


@pytest.fixture(scope="module")
def folder(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Parts, one with a wrong row, and one with a byte that is not what an earlier part wrote."""
    rows = without(emulated(PARTS * ROWS, {100: "NMI", 250: "NMI"}), "bytes")
    rows[5 * ROWS + 7]["a"] ^= 1
    stored = next(row for row in rows[9 * ROWS :] if row["reads"][-1][0] == COUNTER)
    stored["reads"][-1] = COUNTER, stored["reads"][-1][1] ^ 1
    folder = tmp_path_factory.mktemp("run")
    for i in range(PARTS):
        written(folder / f"part.{i}.parquet", rows[i * ROWS : (i + 1) * ROWS])
    return folder


@pytest.fixture(scope="module")
def scheduler() -> Iterator[Any]:
    """A cluster of threads of this process, which is spoken to as if it were far away."""
    distributed = pytest.importorskip("distributed", reason="Dask is not installed")
    with distributed.LocalCluster(n_workers=2, **THREADS) as made:
        yield made


@pytest.fixture
def impatient(monkeypatch: pytest.MonkeyPatch) -> None:
    for name in ("ANSWERS", "RETURNS", "LOOK"):
        monkeypatch.setattr(module, name, 0.1)


def told(report: TraceReport) -> list[Any]:
    """All that it says, but what diagnosis and drawing make of the evidence, which take long."""
    evidence = [one.tobytes() for one in report.evidence()]
    vars(report)["likely"] = []
    return [json.dumps(report.to_json()), *evidence]


def test_a_cluster_reports_what_one_process_does(
    scheduler: Any, folder: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.chdir(folder.parent)
    done: list[int] = []
    alone = compare_trace(folder.name, processes=1)
    report = compare_trace(folder.name, scheduler=scheduler.scheduler_address, progress=done.append)
    assert done == [*range(1, PARTS + 1)]
    assert alone.first_wrong == f"{folder.name}/part.5.parquet, row 6 counted from 0"
    assert (alone.first_contradiction or "").startswith(f"{folder.name}/part.9.parquet, row ")
    assert told(report) == told(alone)


@contextmanager
def forgetful(scheduler: str, jobs: int) -> Iterator[Work]:
    """A cluster that loses what some part tells of memory."""

    def work(tasks: Any) -> Iterator[Any]:
        for function, i, part, check in tasks:
            number, found = function(i, part, check)
            yield number, replace(found, memory=Memory()) if i == 9 else found

    yield work


def test_the_comparison_sees_a_part_whose_memory_is_lost(
    folder: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    alone = compare_trace(folder, processes=1)
    monkeypatch.setattr(checking, "cluster", forgetful)
    report = compare_trace(folder, scheduler="forgetful")
    assert report.first_wrong == alone.first_wrong
    assert report.first_contradiction != alone.first_contradiction
    assert told(report) != told(alone)


def test_a_part_that_cannot_be_read_is_told_as_alone(
    scheduler: Any, folder: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    (tmp_path / "run").mkdir()
    for i in range(4):
        (tmp_path / f"run/part.{i}.parquet").symlink_to(folder / f"part.{i}.parquet")
    written(tmp_path / "run/part.4.parquet", without(emulated(9), "pc"))
    monkeypatch.chdir(tmp_path)
    told = set()
    for address in (None, scheduler.scheduler_address):
        with pytest.raises(TraceError) as error:
            compare_trace("run", processes=1, scheduler=address)
        told.add(str(error.value))
    (line,) = told
    assert line.startswith("run/part.4.parquet: no column pc; it has ")


def test_a_part_that_only_a_worker_cannot_read_is_told(
    folder: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    @contextmanager
    def blind(scheduler: str, jobs: int) -> Iterator[Work]:
        yield lambda tasks: ((i, TraceError(f"{part.path}: gone")) for _, i, part, _ in tasks)

    monkeypatch.setattr(checking, "cluster", blind)
    monkeypatch.chdir(folder.parent)
    with pytest.raises(TraceError) as error:
        compare_trace(folder.name, scheduler="tcp://far:1")
    part = f"{folder.name}/part.1.parquet"
    whole = folder / "part.1.parquet"
    assert str(error.value) == f"{part}: tcp://far:1: a worker cannot read it: {whole}: gone"


def test_few_tasks_are_given_out_ahead_and_answers_come_in_order(scheduler: Any) -> None:
    given: list[int] = []

    def tasks() -> Iterator[Any]:
        for i in range(50):
            given.append(i)
            yield pow, 2, i

    with cluster(scheduler.scheduler_address, 1) as work:
        answers = work(tasks())
        for i in range(50):
            assert next(answers) == 2**i
            assert len(given) <= i + 1 + 2 * module.AHEAD
        with pytest.raises(ZeroDivisionError):
            list(work([(divmod, 1, 0)]))
    assert len(given) == 50


@pytest.mark.parametrize(
    "address",
    ["", "nonsense", "host", "host:", "tcp://:1", "tcp://host:port", "127.0.0.1:99999", "host:0",
     "127.0.0.1:-1", "foo://host:1", "inproc://1.2.3.4/5/6", "a b:1", "\x1b[31m:1", "Local"],
)  # fmt: skip
def test_what_is_no_address_is_told(address: str) -> None:
    with (
        pytest.raises(WorkerError, match="is no scheduler: write its address") as error,
        cluster(address, 1),
    ):
        pass
    assert "tcp://host:8786, or local" in str(error.value)


@pytest.mark.parametrize(
    ("lacking", "address"), [("distributed", "tcp://host:1"), ("cryptography", "local")]
)
def test_without_dask_one_line_says_what_to_install(
    lacking: str, address: str, folder: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    if lacking != "distributed":
        pytest.importorskip("distributed", reason="Dask is not installed")
    monkeypatch.setitem(sys.modules, lacking, None)
    with pytest.raises(TraceError) as error:
        compare_trace(folder, scheduler=address)
    what = f"a cluster needs {lacking}, which is missing: pip install 'carrywave[cluster]'"
    assert str(error.value) == f"{folder}: {what}"


def test_what_is_no_scheduler_is_told(scheduler: Any, impatient: None) -> None:
    silent = socket.create_server(("127.0.0.1", 0))
    with silent, socket.create_server(("127.0.0.1", 0)) as closed:
        port = closed.getsockname()[1]
        closed.close()
        addresses = {
            f"127.0.0.1:{port}": "no Dask scheduler answers: Timed out trying to connect",
            f"tcp://127.0.0.1:{silent.getsockname()[1]}": "no Dask scheduler answers: it is silent",
        }
        for address, what in addresses.items():
            with pytest.raises(WorkerError) as error, cluster(address, 1):
                pass
            assert str(error.value).startswith(f"{address}: {what}")
    worker = scheduler.workers[0].address
    with pytest.raises(WorkerError) as error, cluster(worker, 1):
        pass
    assert str(error.value) == f"{worker}: no scheduler, but a Worker of Dask"


def test_a_scheduler_without_a_worker_is_told(monkeypatch: pytest.MonkeyPatch) -> None:
    distributed = pytest.importorskip("distributed", reason="Dask is not installed")
    monkeypatch.setattr(module, "RETURNS", 0.0)
    monkeypatch.setattr(module, "LOOK", 0.01)
    with distributed.LocalCluster(n_workers=0, **THREADS) as made:
        address = made.scheduler_address
        with cluster(address, 1) as work, pytest.raises(WorkerError) as error:
            list(work([(pow, 2, 3)]))
    assert str(error.value) == f"{address}: the scheduler has no worker"


@pytest.mark.parametrize("more", [2, 9], ids=["while it answers", "while it is given more"])
def test_a_scheduler_that_goes_is_told(more: int) -> None:
    distributed = pytest.importorskip("distributed", reason="Dask is not installed")
    with distributed.LocalCluster(n_workers=1, **THREADS) as made:
        address = made.scheduler_address
        with cluster(address, 1) as work:
            answers = work([(pow, 2, 3), *[(time.sleep, 0.5)] * more])
            assert next(answers) == 8
            made.close()
            with pytest.raises(WorkerError) as error:
                list(answers)
    assert str(error.value) == f"{address}: the scheduler is gone"


def test_a_scheduler_that_is_silent_is_not_waited_for(
    scheduler: Any, monkeypatch: pytest.MonkeyPatch
) -> None:
    async def halted(**_: Any) -> None:
        await asyncio.sleep(3600)

    address = scheduler.scheduler_address
    with cluster(address, 1) as work:
        monkeypatch.setitem(scheduler.scheduler.handlers, "ncores", halted)
        monkeypatch.setattr(module, "SILENT", 0.2)
        with pytest.raises(WorkerError) as error:
            list(work([(pow, 2, 3)]))
    assert str(error.value) == f"{address}: the scheduler does not answer any more"


# Processes


def workers_of(process: int) -> list[Any]:
    """The processes that do tasks for another one, the longest running first."""
    import psutil

    try:
        found = psutil.Process(process).children(recursive=True)
        found = [one for one in found if "spawn_main" in " ".join(one.cmdline())]
        return sorted(found, key=lambda one: one.create_time())
    except psutil.NoSuchProcess:
        return []


@pytest.mark.exhaustive
def test_what_a_killed_worker_did_is_done_again(
    folder: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Nor does any process import what lies in the current folder."""
    pytest.importorskip("distributed", reason="Dask is not installed")
    for name in ("multiprocessing", "pickle", "numpy", "dask", "distributed", "carrywave"):
        (tmp_path / f"{name}.py").write_text("open(__file__ + '.ran', 'w')\n")
    monkeypatch.chdir(tmp_path)
    killed = []

    def kill(done: int) -> None:
        if done == PARTS // 3:
            killed.append(workers_of(os.getpid())[0])
            killed[0].kill()

    alone = compare_trace(folder, processes=1)
    report = compare_trace(folder, scheduler="local", processes=2, progress=kill)
    assert len(killed) == 1
    assert json.dumps(report.to_json()) == json.dumps(alone.to_json())
    assert drawn(report) == drawn(alone)
    assert workers_of(os.getpid()) == []
    assert [*tmp_path.glob("*.ran")] == []


@pytest.mark.exhaustive
def test_a_task_whose_workers_die_is_told() -> None:
    """On a machine, too, on which a worker is not started again as soon as Dask would have it."""
    pytest.importorskip("distributed", reason="Dask is not installed")
    dask = pytest.importorskip("dask")
    with (
        dask.config.set({"distributed.deploy.lost-worker-timeout": "10 ms"}),
        pytest.raises(WorkerError) as error,
        cluster("local", 1) as work,
    ):
        list(work([(os._exit, 3)]))
    assert str(error.value) == "each worker died that was given this, 4 in turn"
    assert workers_of(os.getpid()) == []


@pytest.mark.exhaustive
def test_what_a_task_says_is_not_hidden_by_the_end_of_the_cluster(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    distributed = pytest.importorskip("distributed", reason="Dask is not installed")
    close = distributed.LocalCluster.close

    def closed_in_vain(self: Any) -> None:  # as where a worker is just being started again
        close(self)
        raise AssertionError("can only join a started process")

    monkeypatch.setattr(distributed.LocalCluster, "close", closed_in_vain)
    with pytest.raises(ValueError, match="invalid literal"), cluster("local", 1) as work:
        list(work([(int, "x")]))


@pytest.mark.exhaustive
@pytest.mark.parametrize("number", [signal.SIGINT, signal.SIGKILL])
def test_nothing_is_left_of_a_command_that_is_ended(
    number: signal.Signals, folder: Path, tmp_path: Path
) -> None:
    psutil = pytest.importorskip("psutil", reason="Dask, which brings it, is not installed")
    pytest.importorskip("distributed", reason="Dask is not installed")
    command = [sys.executable, "-c", "from carrywave.sim.cli.main import main; main()"]
    given = ["compare", "--trace", str(folder), "--scheduler", "local"]
    (tmp_path / "temporary").mkdir()
    with subprocess.Popen(
        [*command, *given], cwd=tmp_path, env={**os.environ, "TMPDIR": str(tmp_path / "temporary")},
        stdout=subprocess.PIPE, stderr=subprocess.PIPE, start_new_session=True,
    ) as process:  # fmt: skip
        while process.poll() is None and not workers_of(process.pid):
            time.sleep(0.05)
        every = psutil.Process(process.pid).children(recursive=True)
        if number == signal.SIGINT:
            os.killpg(process.pid, number)  # as a terminal does it
        else:
            process.send_signal(number)
        output, errors = process.communicate()
    assert process.returncode == (130 if number == signal.SIGINT else -number)
    if number == signal.SIGINT:  # multiprocessing, of what was killed, tells of semaphores
        assert (output, errors) == (b"", b"")
        assert [*tmp_path.rglob("*")] == [tmp_path / "temporary"]
    _, left = psutil.wait_procs(every, timeout=60)
    assert left == []
