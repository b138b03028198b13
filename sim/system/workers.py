"""Processes that do tasks side by side."""

import os
import signal
import sys
import threading
from collections.abc import Callable, Iterable, Iterator
from contextlib import contextmanager, suppress
from typing import Any

from .errors import UnusableError

Task = tuple[Any, ...]  # a function of a module, and its arguments
Work = Callable[[Iterable[Task]], Iterator[Any]]


class WorkerError(UnusableError):
    """A process that did part of the work is gone; the message is one line."""


def processors() -> int:
    """How many processes are of use."""
    main = getattr(sys.modules["__main__"], "__file__", None)
    if main is not None and not os.path.exists(main):
        return 1  # a script on standard input: no other process can import it
    # Those this process may use: in a container or under taskset, fewer than the machine has.
    if hasattr(os, "sched_getaffinity"):
        return len(os.sched_getaffinity(0))
    return os.cpu_count() or 1


@contextmanager
def workers(jobs: int, *shared: Any) -> Iterator[Work]:
    """What does tasks in so many processes, in this one if that is one: answers in any order.

    `shared` goes to each process once, and stands before the arguments of every task. An exception
    of a task is raised here.
    """
    if jobs == 1:
        yield lambda tasks: (task[0](*shared, *task[1:]) for task in tasks)
        return
    from multiprocessing import get_context
    from multiprocessing.connection import wait

    # Spawned, as everywhere: a fork would copy the caller's threads, half done. No pool of the
    # standard library's: after an interrupt, or a worker's death, these can wait for ever.
    context = get_context("spawn")
    processes: list[Any] = []
    ends: list[Any] = []  # connections: what they carry has no type

    def work(tasks: Iterable[Task]) -> Iterator[Any]:
        left, ready = iter(tasks), ends
        busy: set[Any] = set()
        while True:
            for end, task in zip(ready, left, strict=False):
                end.send(task)
                busy.add(end)
            if not busy:
                return
            ready = list(wait(busy))
            for end in ready:
                busy.remove(end)
                done, answer = end.recv()
                if not done:
                    raise answer
                yield answer

    try:
        with _interrupts_held_back():
            for _ in range(jobs):
                ours, theirs = context.Pipe()
                process = context.Process(target=_serve, args=(theirs, shared), daemon=True)
                process.start()
                theirs.close()
                processes.append(process)
                ends.append(ours)
        yield work
    except (EOFError, ConnectionError):
        raise WorkerError("a process has ended before its time") from None
    finally:
        for process in processes:
            process.terminate()
            process.join()


def _serve(end: Any, shared: tuple[Any, ...]) -> None:
    """What a process does: one task after another, until its parent is gone."""
    signal.signal(signal.SIGINT, signal.SIG_IGN)  # where it could not be held back
    with suppress(EOFError, ConnectionError):
        while True:
            function, *arguments = end.recv()
            try:
                answer = True, function(*shared, *arguments)
            except Exception as error:
                answer = False, error
            end.send(answer)


@contextmanager
def _interrupts_held_back() -> Iterator[None]:
    """An interrupt waits until the end; processes that begin here never see one."""
    came: list[int] = []
    here = threading.current_thread() is threading.main_thread()
    # Blocking is inherited, but another thread of this process may still be told: hence both.
    before = signal.signal(signal.SIGINT, lambda *_: came.append(1)) if here else None
    if blocking := hasattr(signal, "pthread_sigmask"):
        from multiprocessing import resource_tracker

        resource_tracker.ensure_running()  # begun later, it would let interrupts in again
        mask = signal.pthread_sigmask(signal.SIG_BLOCK, {signal.SIGINT})
    try:
        yield
    finally:
        if blocking:
            signal.pthread_sigmask(signal.SIG_SETMASK, mask)
        if here:
            signal.signal(signal.SIGINT, before)
        if came:
            signal.raise_signal(signal.SIGINT)
