"""Processes that do tasks side by side."""

import os
import pickle
import subprocess
import sys
from collections.abc import Callable, Iterable, Iterator
from contextlib import contextmanager, suppress
from functools import cache
from io import BytesIO
from queue import SimpleQueue
from threading import Thread
from typing import IO, Any, Final

from .children import interpreter
from .errors import UnusableError

Task = tuple[Any, ...]  # a function of a module, and its arguments
Work = Callable[[Iterable[Task]], Iterator[Any]]

_serving = False  # whether this process is one that does tasks


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
    of a task is raised here; WorkerError if a process dies, whenever that is, or if a process that
    imports the main script is asked for processes in turn.
    """
    if jobs == 1:
        yield lambda tasks: (task[0](*shared, *task[1:]) for task in tasks)
        return
    if _serving:
        raise WorkerError(
            "the main script asks for processes while one of these imports it: "
            "let it do so under if __name__ == '__main__':"
        )
    # No pool of concurrent.futures or multiprocessing, which were tried. They wait for ever for a
    # process that dies before it has read what it is started with, if that is more than a pipe
    # holds; their processes outlive a parent that is killed; they start, and find modules, in the
    # current folder; and they import the main script whether or not it is needed.
    processes: list[subprocess.Popen[bytes]] = []
    heard: SimpleQueue[tuple[subprocess.Popen[bytes], bytes | None]] = SimpleQueue()

    def listen(process: subprocess.Popen[bytes]) -> None:
        assert process.stdout is not None
        with process.stdout:
            for answer in _parcels(process.stdout):
                heard.put((process, answer))
        heard.put((process, None))

    def work(tasks: Iterable[Task]) -> Iterator[Any]:
        left, free, busy = iter(tasks), processes, 0
        while True:
            for process, task in zip(free, left, strict=False):
                _send(process, pickle.dumps(task))
                busy += 1
            if not busy:
                return
            process, parcel = heard.get()
            if parcel is None:
                raise _dead()
            free, busy = [process], busy - 1
            done, answer = pickle.loads(parcel)
            if not done:
                raise answer
            yield answer

    try:
        places = [place for place in sys.path if isinstance(place, str)]
        for _ in range(jobs):
            process = subprocess.Popen(
                interpreter("-u", "-c", START, *places),
                stdin=subprocess.PIPE, stdout=subprocess.PIPE,
                process_group=0,  # a terminal's interrupt is for this process alone
            )  # fmt: skip
            processes.append(process)
            Thread(target=listen, args=(process,), daemon=True).start()
        first = pickle.dumps(_main_script()), pickle.dumps(shared)
        for process in processes:
            for parcel in first:
                _send(process, parcel)
        yield work
    finally:
        for process in processes:
            process.kill()
        for process in processes:
            process.wait()
            assert process.stdin is not None
            with suppress(OSError):
                process.stdin.close()


def _dead() -> WorkerError:
    return WorkerError("a process has ended before its time")


def _send(process: subprocess.Popen[bytes], parcel: bytes) -> None:
    assert process.stdin is not None
    try:
        _put(process.stdin, parcel)
    except OSError:
        raise _dead() from None


def _put(stream: IO[bytes], parcel: bytes) -> None:
    stream.write(len(parcel).to_bytes(8))
    stream.write(parcel)
    stream.flush()


def _parcels(stream: IO[bytes]) -> Iterator[bytes]:
    """What the other side has put, until it is gone."""
    while len(size := stream.read(8)) == 8:
        parcel = stream.read(int.from_bytes(size))
        if len(parcel) < int.from_bytes(size):
            return
        yield parcel


def _main_script() -> dict[str, Any]:
    """What `multiprocessing` needs in order to import the main script elsewhere."""
    from multiprocessing.spawn import get_preparation_data

    wanted = ("sys_argv", "init_main_from_name", "init_main_from_path")
    return {key: value for key, value in get_preparation_data("").items() if key in wanted}


#: The current folder, where an interactive session searches, comes after all else.
START: Final = """
import sys
places = sys.argv[1:]
del sys.argv[1:]
sys.path[:] = filter(None, places)
from carrywave.sim.system.workers import serve
sys.path += [""] * ("" in places)
serve()
"""


def serve() -> None:
    """What a process does: one task after another, until it is killed or its parent is gone."""
    global _serving
    _serving = True
    # What a task reads or prints must not mix with what the two processes tell each other.
    orders, answers = os.fdopen(os.dup(0), "rb"), os.fdopen(os.dup(1), "wb")
    nothing = os.open(os.devnull, os.O_RDWR)
    os.dup2(nothing, 0)
    os.dup2(nothing if sys.stderr is None else 2, 1)
    waiting: SimpleQueue[bytes] = SimpleQueue()

    def listen() -> None:
        for parcel in _parcels(orders):
            waiting.put(parcel)
        os._exit(0)  # in the middle of a task, too

    @cache
    def import_main() -> None:
        from multiprocessing.spawn import prepare

        prepare(main)

    Thread(target=listen, daemon=True).start()
    try:
        main, given = pickle.loads(waiting.get()), waiting.get()
        shared: tuple[Any, ...] | None = None
        while True:
            task = waiting.get()
            try:
                if shared is None:
                    shared = _Unpickler(given, import_main).load()
                function, *arguments = _Unpickler(task, import_main).load()
                answer = pickle.dumps((True, function(*shared, *arguments)))
            except Exception as error:
                answer = pickle.dumps((False, error))
            _put(answers, answer)
    finally:
        os._exit(1)  # without a word: the parent tells that it is so


class _Unpickler(pickle.Unpickler):
    """Imports the main script where something of it is asked for, and only then.

    So a script that lacks the guard, and would do all its work again in every process, does no harm
    unless a witness of its own is sent there.
    """

    def __init__(self, parcel: bytes, import_main: Callable[[], object]) -> None:
        super().__init__(BytesIO(parcel))
        self._import_main = import_main

    def find_class(self, module: str, name: str) -> Any:
        """As pickle does it."""
        if module == "__main__":
            self._import_main()
        return super().find_class(module, name)
