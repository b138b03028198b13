"""A Dask cluster as what does tasks: one that is there, or one that is started for them."""

import os
import pickle
import re
import signal
import warnings
from collections import deque
from collections.abc import Iterable, Iterator
from contextlib import ExitStack, contextmanager, suppress
from importlib import import_module
from time import monotonic
from typing import Any, Final

from ..system.children import temporary_folder
from ..system.quoting import quoted
from ..system.workers import Task, Work, WorkerError

LOCAL: Final = "local"  # instead of an address
ANSWERS: Final = 10.0  # seconds until a scheduler that does not answer is none
SILENT: Final = 60.0  # and until one that has answered is none any more
RETURNS: Final = 60.0  # seconds that it may be without a worker: the last one may be started again
LOOK: Final = 1.0  # seconds from look to look whether there is one
AHEAD: Final = 3  # tasks a thread that are given out: what waits for its turn stays bounded
_ADDRESS: Final = re.compile(
    r"((tcp|tls|ws|wss)://)?([\w.-]+|\[[0-9A-Fa-f:.]+\]):([0-9]{1,5})", re.ASCII
)
_SAFE: Final = "PYTHONSAFEPATH"
_SEEN: Final = "scheduler", "worker"


class _Order:
    """A task that whoever unpickles it does.

    A worker of Dask that cannot unpickle what it is sent ends itself: one that lacks Carrywave has
    to find that out within the task.
    """

    def __init__(self, task: Task) -> None:
        self._task = task

    def __reduce__(self) -> tuple[Any, ...]:
        function, *arguments = self._task
        return function, tuple(arguments)


@contextmanager
def cluster(scheduler: str, jobs: int) -> Iterator[Work]:
    """What does tasks on a cluster: a scheduler's address, or `local` for so many processes here.

    Answers come in the order of the tasks. What a lost worker did is done again elsewhere, by Dask.
    An exception of a task is raised here; WorkerError where no scheduler answers, or has no worker,
    or is gone, and where each worker dies that is given a certain task.
    """
    address = _ADDRESS.fullmatch(scheduler)
    if scheduler != LOCAL and not (address and 0 < int(address[4]) < 1 << 16):
        raise WorkerError(
            f"{quoted(scheduler)} is no scheduler: write its address, such as tcp://host:8786, "
            f"or {LOCAL}"
        )
    try:
        import distributed
        from distributed.utils import LoopRunner
        from distributed.versions import VersionMismatchWarning

        if scheduler == LOCAL:  # for TLS, or whoever is on the machine gives orders
            import_module("cryptography")
    except ImportError as error:
        raise WorkerError(
            f"a cluster needs {error.name}, which is missing: pip install 'carrywave[cluster]'"
        ) from None
    with ExitStack() as stack:
        try:
            if scheduler == LOCAL:
                place = stack.enter_context(_own(jobs))
            else:
                LoopRunner(asynchronous=False).run_sync(_knock, scheduler)
                place = scheduler
            with warnings.catch_warnings():
                warnings.simplefilter(
                    "ignore", VersionMismatchWarning
                )  # by a table; a task may fail
                client = distributed.Client(place, timeout=ANSWERS, set_as_default=False)
            stack.enter_context(client)
        except WorkerError:
            raise
        except Exception as error:
            told = " ".join(str(error).split()) or "it is silent"
            what = "no cluster starts here" if scheduler == LOCAL else "no Dask scheduler answers"
            raise WorkerError(f"{scheduler}: {what}: {told}") from None

        def work(tasks: Iterable[Task]) -> Iterator[Any]:
            given: deque[Any] = deque()
            for task in tasks:
                parcel = pickle.dumps(_Order(task))
                with _reached(scheduler):
                    given.append(client.submit(pickle.loads, parcel, pure=False))
                    threads = _threads(client, scheduler)
                if len(given) > AHEAD * threads:
                    yield _answer(client, given.popleft(), scheduler)
            while given:
                yield _answer(client, given.popleft(), scheduler)

        yield work


async def _knock(address: str) -> None:
    """Whether a scheduler is there: a client waits for ever for one that is something else."""
    import asyncio

    from distributed import Security
    from distributed.core import rpc

    async with rpc(
        address, timeout=ANSWERS, connection_args=Security().get_connection_args("client")
    ) as peer:
        told = await asyncio.wait_for(peer.identity(), 2 * ANSWERS)
    if told.get("type") != "Scheduler":
        raise WorkerError(f"{address}: no scheduler, but a {told.get('type')} of Dask")


@contextmanager
def _own(jobs: int) -> Iterator[Any]:
    """A scheduler in this process, and so many others."""
    from multiprocessing import active_children, resource_tracker

    import dask
    from distributed import LocalCluster
    from distributed.utils import LoopRunner

    safe = os.environ.get(_SAFE)
    os.environ[_SAFE] = "1"  # or what is started would search the current folder
    resource_tracker.ensure_running()  # whatever thread starts it hears interrupts again
    others = set(active_children())
    runner = LoopRunner(asynchronous=False)
    runner.start()
    runner.run_sync(_deafen)
    hidden: dict[str, Any] = {f"distributed.{of}.http.routes": [] for of in _SEEN}
    # One that takes long to be started again, on a machine that is busy, would be given up.
    patient = {"distributed.deploy.lost-worker-timeout": "1 day"}
    with (
        temporary_folder() as folder,
        dask.config.set({**hidden, **patient, "temporary-directory": folder}),
    ):
        try:
            # Without workers at first: while they start, there is already what can close them.
            made = LocalCluster(
                loop=runner.loop, n_workers=0, threads_per_worker=1, memory_limit=None,
                security=True, local_directory=folder, silence_logs="CRITICAL",
                dashboard_address="127.0.0.1:0",  # or it is 8787, for all the world
            )  # fmt: skip
            try:
                made.scale(jobs)
                made.wait_for_workers(jobs, RETURNS)
                yield made
            except BaseException:
                # A worker that is just started again cannot be ended, and what is raised says more.
                with suppress(AssertionError):
                    made.close()
                raise
            made.close()
        finally:
            runner.stop()
            for left in set(active_children()) - others:  # or it would write into the folder
                left.kill()
                left.join()
            if safe is None:
                del os.environ[_SAFE]


async def _deafen() -> None:
    """A terminal's interrupt is for this process alone, not for what this thread starts."""
    if hasattr(signal, "pthread_sigmask"):  # Windows has none
        signal.pthread_sigmask(signal.SIG_BLOCK, {signal.SIGINT})


@contextmanager
def _reached(scheduler: str) -> Iterator[None]:
    """What is asked of a scheduler, which may be gone by now."""
    from concurrent.futures import CancelledError

    from distributed import client
    from distributed.comm.core import CommClosedError

    closed = getattr(client, "ClosedClientError", CommClosedError)  # 2024.8 had none
    try:
        yield
    except (CancelledError, CommClosedError, closed):
        raise WorkerError(f"{scheduler}: the scheduler is gone") from None


def _threads(client: Any, scheduler: str) -> int:
    """How many tasks it can do at a time; a connection is made to ask for that."""
    try:
        found = client.sync(client.scheduler.ncores, workers=None, callback_timeout=SILENT)
    except TimeoutError:  # which is an OSError, too
        raise WorkerError(f"{scheduler}: the scheduler does not answer any more") from None
    except OSError:
        raise WorkerError(f"{scheduler}: the scheduler is gone") from None
    return sum(found.values())


def _answer(client: Any, future: Any, scheduler: str) -> Any:
    """What a task has answered, once it has."""
    from distributed import KilledWorker, wait

    seen = monotonic()
    while True:
        try:
            with _reached(scheduler), client.as_current():
                wait(future, LOOK)
                return future.result(timeout=RETURNS)  # it has to come, and may be lost meanwhile
        except TimeoutError:
            if future.status == "error":
                raise  # it is the task's own
            if _threads(client, scheduler):
                seen = monotonic()
            elif monotonic() - seen >= RETURNS:
                raise WorkerError(f"{scheduler}: the scheduler has no worker") from None
        except KilledWorker as error:
            deaths = error.allowed_failures + 1
            raise WorkerError(f"each worker died that was given this, {deaths} in turn") from None
        except ImportError as error:
            raise WorkerError(f"{scheduler}: a worker lacks what is here: {error}") from None
