"""JSON that others wrote: a key once in an object, and one error for all that is wrong with it."""

import json
from collections import Counter
from typing import Any, Final

from .quoting import quoted


class UnreadableError(Exception):
    """What cannot be read; the message says why, and is empty for what is no JSON at all."""


def decoded(data: bytes) -> Any:
    """The one value of a text in UTF-8. Raises UnreadableError."""
    try:
        return _DECODER.decode(data.decode("utf-8-sig"))
    except (json.JSONDecodeError, UnicodeDecodeError, RecursionError):
        raise UnreadableError from None
    except ValueError:  # Python's own limit
        raise UnreadableError("a number of too many digits") from None


def _once(pairs: list[tuple[str, Any]]) -> dict[str, Any]:
    """An object of its keys and values; with a key twice it could be read in two ways."""
    found = dict(pairs)
    if len(found) < len(pairs):
        name, count = Counter(key for key, _ in pairs).most_common(1)[0]
        raise UnreadableError(f"key {quoted(name)} is there {count} times")
    return found


_DECODER: Final = json.JSONDecoder(object_pairs_hook=_once)
