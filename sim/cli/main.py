"""The entry point: whatever happens, the exit status tells it, and is no verdict unless it is one.

Next to nothing is imported before signals are heard, and the rest where a mistake is caught.
"""

from __future__ import annotations

import atexit
import os
import signal
import sys

TYPE_CHECKING = False  # `typing` would take its time
if TYPE_CHECKING:
    from typing import Any

MISTAKE = 70  # what sysexits.h calls EX_SOFTWARE
#: Seconds after a signal until it is raised once more, if a library has dropped the exception.
#: Meanwhile no other is heard, for what is tidied up: `timeout` sends two.
TIDYING = 5.0
SOON = 0.01  # seconds, where it is known to be dropped
ALARM = getattr(signal, "SIGALRM", None)  # Windows has none


def main() -> None:
    """The command: it is ended quietly by an interrupt, SIGTERM and a terminal that closes."""
    _heed_signals()
    atexit.register(_ignore_signals)  # as the first, so it is done last
    status = run()
    _alarm(0)
    for number in _heeded():
        # Nothing is left to tidy up, and what Python does at its end does not bear an exception.
        signal.signal(number, lambda number, _: os._exit(128 + number))
    sys.exit(status)


def run() -> int:
    """Does what `sys.argv` asks, says what there is to say, and returns the exit status."""
    try:
        from .streams import open_what_is_closed

        silent = open_what_is_closed()
        from .commands import answer
        from .terminal import unusable

        if silent:
            unusable("the output cannot be written: it is closed")
        answer(sys.argv[1:])
    except KeyboardInterrupt:
        return 128 + signal.SIGINT
    except SystemExit as end:
        return end.code if isinstance(end.code, int) else _mistaken(end)
    except BaseException as error:
        return _mistaken(error)
    return 0


def _mistaken(error: BaseException) -> int:
    """Tells of a mistake of ours, in a line, with the details in a file, or below if need be."""
    try:
        from traceback import format_exception

        from .streams import tell

        about = f"carrywave {sys.argv[1:]}\nPython {sys.version}, {sys.platform}\n\n"
        details = about + "".join(format_exception(error))
        what = f"a mistake of Carrywave ({type(error).__name__}), and no verdict"
        try:
            kept = _keep(details)
        except OSError as refused:
            tell(f"{what}; please report these details, for which there is no file: {refused}")
            sys.stderr.write(details)
        else:
            tell(f"{what}; the details are in {kept}: please report it with them")
    except Exception:
        pass  # told or not, it is no verdict
    return MISTAKE


def _keep(details: str) -> str:
    """Writes a temporary file that nobody else can have made, or read, and returns its path."""
    from tempfile import mkstemp

    file, path = mkstemp(prefix="carrywave-", suffix=".txt")
    with open(file, "w", encoding="utf-8", errors="backslashreplace") as text:
        text.write(details)
    return path


def _heeded() -> list[signal.Signals]:
    """The signals that end a command; not what whoever started it wants to be ignored."""
    numbers = [
        signal.Signals[name] for name in ("SIGINT", "SIGTERM", "SIGHUP") if hasattr(signal, name)
    ]
    return [number for number in numbers if signal.getsignal(number) != signal.SIG_IGN]


def _heed_signals() -> None:
    """Each ends what is being done as an exception does, so that all is tidied up."""
    status = 0

    def stop(number: int, _: Any) -> None:
        nonlocal status
        if not status or number == ALARM:
            status = status or 128 + number
            import warnings

            warnings.simplefilter("ignore")  # of what is left half done
            _alarm(TIDYING)
            sys.exit(status)

    def forgotten(told: Any) -> None:
        # What is raised while Python frees or imports something.
        if told.exc_type is SystemExit and status:
            _alarm(SOON)
        else:
            sys.__unraisablehook__(told)

    for number in _heeded():
        signal.signal(number, stop)
    if ALARM is not None:
        signal.signal(ALARM, stop)
    sys.unraisablehook = forgotten


def _ignore_signals() -> None:
    """What Python does after this gives a signal that is heard its default action back."""
    for number in _heeded():
        signal.signal(number, signal.SIG_IGN)


def _alarm(seconds: float) -> None:
    """Again and again: what just begins to wait as it comes would hear of it afterwards only."""
    if ALARM is not None:
        signal.setitimer(signal.ITIMER_REAL, seconds, TIDYING)
