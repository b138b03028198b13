"""Images: the bytes of raw binaries, Intel HEX and Motorola S-record files, laid into a memory.

The formats are those of Intel's *Hexadecimal Object File Format Specification*, revision A, and of
Motorola's S-records; `bincopy` reads them, checksums included.
"""

from collections.abc import Iterable
from os import PathLike
from pathlib import PurePath
from typing import Final

from ..system.errors import UnusableError
from .assembler import Program, load

RAW: Final = (".bin",)
#: By the end of a file's name: what it is called, and how the record begins that must end it.
RECORDS: Final = {
    **dict.fromkeys((".hex", ".ihex"), ("Intel HEX", (":00000001",))),
    **dict.fromkeys((".srec", ".s19", ".s28", ".s37"), ("S-records", ("S7", "S8", "S9"))),
}
_SIZE: Final = 0x10000
_LARGEST: Final = 1 << 20  # bytes of a file: 64 KiB in records, and room; a device may have no end
_RESET: Final = 0xFFFC

Path = str | PathLike[str]


class ImageError(UnusableError):
    """An image that cannot be laid out; the message is one line."""


def is_image(path: Path) -> bool:
    """Whether the end of a name is that of an image, not of a listing."""
    return PurePath(path).suffix.lower() in (*RAW, *RECORDS)


def load_program(
    path: Path, at: int | None = None, start: int | None = None,
    more: Iterable[tuple[str, int | None]] = (),
) -> Program:  # fmt: skip
    """A program out of a listing or an image, and of more images beside it.

    With `at`, where its first byte lies, a file is a raw binary whatever its name. The reset vector
    is set to `start`, if that is given; else it must be in the images, or is the listing's. Raises
    ListingError, or ImageError for an image that cannot be read, leaves memory or lies over another
    byte, and where nothing says where to begin.
    """
    whole = at is not None or is_image(path)
    program = Program(bytearray(_SIZE), -1, {}, {}, {}) if whole else load(path)
    for name, address in [*([(str(path), at)] * whole), *more]:
        _lay(program, name, _bytes_of(name, address))
    if start is None and whole:
        if not {_RESET, _RESET + 1} <= program.given:
            raise ImageError(f"{path}: no reset vector at FFFC and FFFD: give --start ADDRESS")
        start = int.from_bytes(program.memory[_RESET : _RESET + 2], "little")
    if start is not None:
        program.origin = start
        program.memory[_RESET : _RESET + 2] = start.to_bytes(2, "little")
    return program


def _lay(program: Program, path: str, pieces: list[tuple[int, bytes]]) -> None:
    for address, data in pieces:
        if address + len(data) > _SIZE:
            some = "1 byte" if len(data) == 1 else f"{len(data):,} bytes"
            fits = max(0, _SIZE - address)
            raise ImageError(
                f"{path}: {some} at {address:04X} do not end at FFFF: at most {fits:,} fit"
            )
        places = range(address, address + len(data))
        if taken := program.given.intersection(places):
            raise ImageError(f"{path}: {min(taken):04X} holds a byte of what was loaded before")
        program.memory[address : address + len(data)] = data
        program.given.update(places)


def _bytes_of(path: str, at: int | None) -> list[tuple[int, bytes]]:
    """What a file holds, with the address of each piece."""
    kind, last = RECORDS.get(PurePath(path).suffix.lower(), ("", ()))
    try:
        with open(path, "rb") as file:
            data = file.read(_LARGEST + 1)
    except (OSError, ValueError) as error:  # ValueError: a NUL in the name
        told = getattr(error, "strerror", None) or error
        raise ImageError(f"{path}: cannot be read: {told}") from None
    if len(data) > _LARGEST:
        raise ImageError(f"{path}: more than {_LARGEST >> 20} MiB: no image of 65,536 bytes")
    if kind and at is None:
        pieces = _records(path, kind, last, data)
    elif at is None and len(data) != _SIZE:
        raise ImageError(
            f"{path}: a raw binary of {len(data):,} bytes does not say where it lies: give "
            "--at ADDRESS, or FILE@ADDRESS"
        )
    else:
        pieces = [(at or 0, data)]
    if not any(piece for _, piece in pieces):
        raise ImageError(f"{path}: holds no byte")
    return pieces


def _records(path: str, kind: str, last: tuple[str, ...], data: bytes) -> list[tuple[int, bytes]]:
    try:
        import bincopy
    except ImportError:
        raise ImageError(
            f"{kind} needs bincopy, which is not installed: pip install 'carrywave[image]'"
        ) from None
    lines = [line.strip() for line in data.decode("latin-1").splitlines()]
    read = bincopy.BinFile()
    add = read.add_ihex if kind == "Intel HEX" else read.add_srec
    # A record at a time tells which is wrong; all of them at once, where each lies.
    for number, line in enumerate(lines, 1):
        try:
            if line:
                single = bincopy.BinFile()
                (single.add_ihex if kind == "Intel HEX" else single.add_srec)(line)
        except (bincopy.Error, ValueError, IndexError) as error:
            raise ImageError(f"{path}, line {number}: no whole record: {error}") from None
    filled = [line for line in lines if line]
    if not filled or not filled[-1].upper().startswith(last):
        raise ImageError(f"{path}: does not end with the record that ends {kind}: a part of it?")
    try:
        add("\n".join(filled))
    except bincopy.Error as error:
        raise ImageError(f"{path}: {error}") from None
    return [(segment.address, bytes(segment.data)) for segment in read.segments]
