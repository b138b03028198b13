"""Columns of numbers out of what Arrow has read.

Whatever is no number is named by its file, line and column.
"""

import re
from collections.abc import Callable, Collection, Iterable, Mapping, Sequence
from functools import lru_cache
from typing import Any, Final, NamedTuple

import numpy as np
import numpy.typing as npt

from ..cases.kinds import BY_KEY
from ..cases.layout import READS, REGISTERS, WRITES
from ..family.members import EVENTS
from ..system.quoting import SHOWN, quoted
from .parts import TraceError, arrow, place

_EMPTY: Final = -(1 << 60)
_UNREADABLE: Final = -(1 << 61)

Column = npt.NDArray[Any]


LISTS: Final = {
    name: tuple(f"{name}_{i}" for i in range(count))
    for name, count in (
        ("bytes", max(one.mode.length for one in BY_KEY.values())),
        ("read_value", READS), ("read_address", READS),
        ("write_value", WRITES), ("write_address", WRITES),
    )
}  # fmt: skip

#: The columns of a trace and the largest value of each: the fields of `CASE` and `OUTCOME`, lists
#: as columns, and the instruction's own `bytes`, which are the first that it reads: either name
#: will do. The state and the opcode must be there. Rows of another `run` do not follow.
COLUMNS: Final = {
    **dict.fromkeys((*REGISTERS, *LISTS["bytes"], *LISTS["read_value"]), 255),
    **dict.fromkeys(LISTS["read_address"], 65535),
    **{"event": len(EVENTS) - 1, "run": 2**32 - 1},
    **dict.fromkeys(("cycles", "writes", *LISTS["write_value"]), 255),
    **dict.fromkeys(("pc", *LISTS["write_address"]), 65535),
}
# A name of `LISTS` may stand for its columns, as a list or as hex digits, and one of these for two
# such names, as a list of pairs.
_PAIRS: Final = {
    "reads": ("read_address", "read_value"),
    "writes": ("write_address", "write_value"),
}
# Of each of these one column must be there.
_REQUIRED: Final = (*((name,) for name in REGISTERS), (LISTS["bytes"][0], LISTS["read_value"][0]))
_EVENTS: Final = tuple(name.lower() for name in EVENTS)  # what an event may be called


class Columns(NamedTuple):
    """The file's own names of columns, and whether digits without a prefix are hexadecimal."""

    mapped: Mapping[str, str]
    hexadecimal: bool


class Block(NamedTuple):
    """Rows of one file: columns of numbers by name, and of those with empty cells where these are.

    An empty cell is a 0. `place` says where a row is.
    """

    rows: int
    values: dict[str, Column]
    empty: dict[str, npt.NDArray[np.bool_]]
    place: Callable[[int], str]


def resolved(
    names: Sequence[str], columns: Columns, path: str, pairs: Collection[str] = _PAIRS
) -> dict[str, str]:
    """The file's name of each column that is used: as mapped, or the same in either case."""
    known = [*dict.fromkeys((*COLUMNS, *LISTS, *pairs))]
    for name, mapped in columns.mapped.items():
        if name not in known:
            raise TraceError(f"column {name}: no such column{_nearest(name, known)}")
        if mapped not in names:
            raise TraceError(f"{path}: no column {mapped}{_nearest(mapped, names)}")
    found: dict[str, str] = {}
    for name in known:
        alike = [name, *(one for one in names if one.lower() == name)]
        its = columns.mapped.get(name) or next((one for one in alike if one in names), None)
        if its is not None:
            found[name] = its
            if names.count(its) > 1:
                raise TraceError(f"{path}: column {its} is there {names.count(its)} times")
    for name, several in LISTS.items():
        if name in found and any(one in found for one in several):
            raise _twice(path, name, several)
    there = {*found, *(one for name in found for one in _those_of(name))}
    missing = [some[0] for some in _REQUIRED if not there & {*some}]
    if missing:
        has = ", ".join(names) or "none"
        raise TraceError(f"{path}: no column {', '.join(missing)}; it has {has}")
    return found


def _those_of(name: str) -> tuple[str, ...]:
    """The columns that a name may stand for."""
    return tuple(one for each in _PAIRS.get(name, (name,)) for one in LISTS.get(each, (each,)))


def _twice(path: str, name: str, several: Iterable[str]) -> TraceError:
    return TraceError(f"{path}: column {name} stands for {', '.join(several)}: not for both")


def _nearest(name: str, names: Iterable[str]) -> str:
    import difflib

    known = [one for one in names if len(one) <= SHOWN]  # long ones would take long
    near = difflib.get_close_matches(name[: SHOWN + 1], known[:1000], 1, 0.4)
    return f"; did you mean {near[0]}?" if near else f": one of {', '.join(names)}"


# Numbers


class _BadError(Exception):
    def __init__(self, row: int, what: str) -> None:
        super().__init__(what)
        self.row = row


def block_of(
    path: str, arrays: Mapping[str, Any], rows: int, before: Callable[[], int], columns: Columns
) -> Block:
    """Arrow's columns as NumPy's. The first bad row is told, not the first bad column."""
    values: dict[str, Column] = {}
    empty: dict[str, npt.NDArray[np.bool_]] = {}
    bad: list[tuple[int, str]] = []
    for name in sorted(arrays, key=lambda name: name in _PAIRS):
        array = arrays[name]
        pair = _PAIRS.get(name) if _is_list(array.type) else None
        if name not in COLUMNS and name not in LISTS and not pair:
            continue  # a number of pairs
        ones = _those_of(name) if pair or name in LISTS else (name,)
        limits = [COLUMNS[one] for one in ones]
        try:
            if ones == (name,):
                words = _EVENTS if name == "event" else ()
                values[name], gaps = _numbers(array, limits[0], columns.hexadecimal, words)
                if gaps is not None:
                    empty[name] = gaps
                continue
            numbers, nothing, lengths = (
                _pairs(array, limits, columns.hexadecimal)
                if pair
                else _lists(array, len(ones), limits[0], columns.hexadecimal)
            )
        except _BadError as error:
            bad.append((error.row, f"column {name} {error}"))
            continue
        if any(one in values for one in ones):
            raise _twice(path, name, pair or ones)
        for i, one in enumerate(ones):
            values[one], empty[one] = numbers[:, i], nothing[:, i]
        if name in ("writes", "write_value"):
            values["writes"] = lengths
    if bad:
        row, what = min(bad, key=lambda one: one[0])
        raise TraceError(f"{place(path, before() + row)}: {what}")
    return Block(rows, values, empty, lambda row: place(path, before() + row))


def _numbers(
    array: Any, limit: int, hexadecimal: bool, words: tuple[str, ...] = ()
) -> tuple[Column, npt.NDArray[np.bool_] | None]:
    """A column of numbers or of text, and where it is empty, if anywhere."""
    types, target = arrow().types, np.min_scalar_type(limit)
    empty = array.is_null().to_numpy(zero_copy_only=False) if array.null_count else None
    kind, texts = array.type, None
    if types.is_dictionary(kind) and not _is_text(kind):
        array = array.dictionary_decode()
        kind = array.type
    if types.is_null(kind):
        values = np.zeros(len(array), target)
    elif _is_text(kind):
        texts, where = _texts(array)
        parsed = [_number(text, hexadecimal, words) for text in texts]
        values = np.array([*parsed, _EMPTY], np.int64)[where]
        empty = values == _EMPTY
        values[empty] = 0
    elif types.is_integer(kind) or types.is_floating(kind) or types.is_boolean(kind):
        array = array.cast(arrow().uint8()) if types.is_boolean(kind) else array
        array = array.cast(arrow().float64()) if types.is_floating(kind) else array
        values = array.fill_null(0).to_numpy(zero_copy_only=False)
    else:
        raise _BadError(0, f"has values of type {kind}: expected numbers")
    if values.dtype != target or limit != np.iinfo(target).max:
        right = (values >= 0) & (values <= limit) & (values == np.floor(values))
        if not right.all():
            row = int(right.argmin())
            shown = values[row].item() if texts is None else quoted(texts[where[row]])
            what = "no number" if values[row] == _UNREADABLE else f"not in the range 0 to {limit}"
            raise _BadError(row, f"is {shown}: {what}")
    return values.astype(target, copy=False), empty


def _lists(
    array: Any, count: int, limit: int, hexadecimal: bool
) -> tuple[Column, npt.NDArray[np.bool_], Column]:
    """A column of lists, or of hex digits: `count` numbers a row, the empty ones, lengths."""
    kind, pa = array.type, arrow()
    if _is_text(kind):
        digits = 2 if limit == 255 else 4
        texts, where = _texts(array)
        found = [_octets(text, digits, count) for text in texts]
        if None in found:
            row = int(np.isin(where, [i for i, one in enumerate(found) if one is None]).argmax())
            what = "bytes" if digits == 2 else "addresses"
            raise _BadError(
                row, f"is {quoted(texts[where[row]])}: expected {what} in hex, {count} at most"
            )
        array = pa.array([*found, None], pa.list_(pa.uint16())).take(pa.array(where))
    elif pa.types.is_null(kind):
        array = array.cast(pa.list_(pa.uint8()))
    elif not _is_list(kind):
        raise _BadError(0, f"has values of type {kind}: expected lists")
    padded, lengths = _padded(array, count)
    try:
        values, empty = _numbers(padded, limit, hexadecimal)
    except _BadError as error:
        raise _BadError(error.row // count, str(error)) from None
    empty = np.zeros(len(values), np.bool_) if empty is None else empty
    return values.reshape(-1, count), empty.reshape(-1, count), lengths


def _pairs(
    array: Any, limits: Sequence[int], hexadecimal: bool
) -> tuple[Column, npt.NDArray[np.bool_], Column]:
    """A column of lists of pairs: a row's first numbers, then the second ones; which are empty."""
    count = len(limits) // 2
    padded, lengths = _padded(array, count, lists=True)
    try:
        values, empty, each = _lists(padded, 2, max(limits), hexadecimal)
    except _BadError as error:
        raise _BadError(error.row // count, str(error)) from None
    there = np.arange(count) < lengths[:, None]
    values = values.reshape(-1, count, 2).swapaxes(1, 2).reshape(-1, 2 * count)
    for wrong, what in (
        (there & (each.reshape(-1, count) != 2), "has an entry that is no pair"),
        (values > np.array(limits), f"has a second number above {min(limits)}"),
    ):
        if wrong.any():
            raise _BadError(int(wrong.any(axis=1).argmax()), what)
    return values, empty.reshape(-1, count, 2).swapaxes(1, 2).reshape(-1, 2 * count), lengths


def _padded(array: Any, count: int, lists: bool = False) -> tuple[Any, Column]:
    """The entries of all lists, `count` of each, and how many there were; no list has none."""
    compute, pa = arrow("pyarrow.compute"), arrow()
    if pa.types.is_null(array.type.value_type):  # whose lists Arrow does not slice
        array = array.cast(pa.list_(pa.list_(pa.uint8()) if lists else pa.uint8()))
    lengths = compute.list_value_length(array).fill_null(0).to_numpy(zero_copy_only=False)
    if lengths.max(initial=0) > count:
        row = int((lengths > count).argmax())
        raise _BadError(row, f"has {lengths[row]} entries: expected {count} at most")
    return compute.list_slice(array, 0, count, return_fixed_size_list=True).values, lengths


def _is_list(kind: Any) -> bool:
    types = arrow().types
    return bool(types.is_list(kind) or types.is_large_list(kind))


def _is_text(kind: Any) -> bool:
    types = arrow().types
    kind = kind.value_type if types.is_dictionary(kind) else kind
    tests = (types.is_string, types.is_large_string, types.is_binary, types.is_large_binary)
    return any(test(kind) for test in tests)


def _texts(array: Any) -> tuple[list[str], npt.NDArray[np.int64]]:
    """The different texts of a column, and which stands where; one past the last is no text."""
    if not arrow().types.is_dictionary(array.type):
        array = array.dictionary_encode()
    found = array.dictionary.cast(arrow().large_binary()).to_pylist()
    texts = [(text or b"").decode(errors="replace") for text in found]
    where = array.indices.cast(arrow().int64()).fill_null(len(texts))
    return texts, where.to_numpy(zero_copy_only=False)


@lru_cache(1 << 18)
def _number(text: str, hexadecimal: bool, words: tuple[str, ...]) -> int:
    word = text.strip().lower()
    if not word:
        return _EMPTY
    if word in words:
        return words.index(word)
    match = re.fullmatch(r"(-?)(0x|\$)?([0-9a-f]+)", word)
    try:
        value = int(match[3], 16 if match[2] or hexadecimal else 10) if match else _UNREADABLE
    except ValueError:
        return _UNREADABLE
    return -1 if match and match[1] else min(value, 1 << 59)


def _octets(text: str, digits: int, count: int) -> list[int] | None:
    """Numbers of so many hex digits each; None if that is not what the text has."""
    text = "".join(text.split())
    if not re.fullmatch(f"([0-9A-Fa-f]{{{digits}}}){{0,{count}}}", text):
        return None
    return [int(text[i : i + digits], 16) for i in range(0, len(text), digits)]
