"""The process between the bench and an emulator: whichever of them ends, nothing of it stays.

It runs no code of the user's, so nothing there holds it up or closes what it listens at. `host.py`,
where the emulator runs, is a child of this process. When that has ended, or the bench has, all that
it started is killed: on Linux whatever session or group that has made for itself, elsewhere the
group. Then this process ends as its child did.

It is started as a file and imports next to nothing, so that it is there in some 30 ms.
"""

import os
import resource
import select
import signal
import sys
import threading
import time
from contextlib import suppress
from typing import NoReturn

GRACE = 1.0  # seconds for what ends by itself when the bench has gone
LOOK = 0.2  # seconds between two looks at whether it has
KILLING = 5.0  # seconds, then what cannot be killed is left
PR_SET_PDEATHSIG, PR_SET_CHILD_SUBREAPER = 1, 36  # of Linux


def main() -> None:
    """Its arguments: the host's channel, the line to the bench, and the bench's process number."""
    channel, line, bench = map(int, sys.argv[1:])
    resource.setrlimit(resource.RLIMIT_CORE, (0, 0))  # a crash leaves no file behind
    here = os.getpid()
    # What loses its parent becomes a child of this process.
    _prctl(PR_SET_CHILD_SUBREAPER, 1)
    child = os.fork()
    if child == 0:
        os.close(line)
        os.setsid()
        _prctl(PR_SET_PDEATHSIG, signal.SIGKILL)
        if os.getppid() == here:  # it may have ended before that was asked for
            _host(channel)
        return
    os.close(channel)
    nothing = os.open(os.devnull, os.O_RDWR)
    for file in (0, 1):  # the child alone holds them: its end is seen at the other side
        os.dup2(nothing, file)
    threading.Thread(target=_end_with_bench, args=(bench, line, child), daemon=True).start()
    _, status = os.waitpid(child, 0)
    _end_all(child)
    _end_as(status)


def _host(channel: int) -> None:
    import runpy

    sys.argv[1:] = [str(channel)]
    path = os.path.join(os.path.dirname(os.path.abspath(__file__)), "host.py")
    runpy.run_path(path, run_name="__main__")


def _prctl(option: int, value: int) -> None:
    if sys.platform == "linux":
        import ctypes

        ctypes.CDLL(None).prctl(option, value, 0, 0, 0)


def _end_with_bench(bench: int, line: int, child: int) -> None:
    """Kills the child when the bench says so, and a while after the bench has ended."""
    said = b""
    # Another process may hold the line's other end: hence both.
    while os.getppid() == bench:
        if select.select([line], [], [], LOOK)[0]:
            said = os.read(line, 1)
            break
    if not said:
        time.sleep(GRACE)
    os.kill(child, signal.SIGKILL)


def _end_all(child: int) -> None:
    """Kills the child's group, and what has become a child of this process, until there is none."""
    with suppress(ProcessLookupError, PermissionError):
        os.killpg(child, signal.SIGKILL)
    deadline = time.monotonic() + KILLING
    with suppress(ChildProcessError):
        while time.monotonic() < deadline:
            for process in _children():
                with suppress(ProcessLookupError, PermissionError):
                    os.kill(process, signal.SIGKILL)
            while os.waitpid(-1, os.WNOHANG) != (0, 0):
                pass
            time.sleep(0.002)


def _children() -> list[int]:
    """The processes whose parent this one is, where the system tells."""
    found = []
    for name in os.listdir("/proc") if os.path.isdir("/proc") else ():
        with suppress(OSError, ValueError), open(f"/proc/{int(name)}/stat", "rb") as stat:
            if int(stat.read().rpartition(b")")[2].split()[1]) == os.getpid():
                found.append(int(name))
    return found


def _end_as(status: int) -> NoReturn:
    """Ends this process in the way that a child of it has ended."""
    if os.WIFSIGNALED(status):
        number = os.WTERMSIG(status)
        with suppress(OSError):  # SIGKILL's cannot be set
            signal.signal(number, signal.SIG_DFL)
        os.kill(os.getpid(), number)
    os._exit(os.waitstatus_to_exitcode(status))


if __name__ == "__main__":
    main()
