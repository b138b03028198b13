"""The C header of a library's interface, made from the layouts of cases and outcomes."""

from typing import Final

import numpy as np

from ..cases.layout import CASE, OUTCOME, layout_of
from ..family.members import EVENTS
from ..family.status_byte import FLAG_BITS
from .own_run import PIN, START

_NOTES: Final = {
    "case": {
        "event": "what happens: CARRYWAVE_INSTRUCTION, CARRYWAVE_IRQ and so on",
        "reads": "how many bytes of memory follow",
        "pc": "the registers before",
        "p": "bits 4 and 5 are no flags",
        "read_value": "what lies in memory and is read, in that order",
        "read_address": "where each of them lies",
    },
    "outcome": {
        "pc": "the registers after",
        "p": "bits 4 and 5 are not compared",
        "cycles": "clocks taken; 0 is 'not counted' and not compared",
        "writes": "how many bytes were written",
        "write_value": "what was written, in order, pushed bytes too",
        "write_address": "where",
    },
    "start": {
        "clock": "the number of the first clock",
        "event": "what happens first, whatever the pins say",
        "nmi": "1: an NMI's edge came before, and waits to be taken",
        "pc": "the registers then",
    },
    "pin": {
        "clock": "from this clock on",
        "event": "whose pin: CARRYWAVE_IRQ or CARRYWAVE_NMI",
        "level": "0 asks for it",
    },
}

_TEXT: Final = """\
/* Between an emulator and carrywave: made by `carrywave header`, for C and C++.
   Little-endian and packed. Outcomes arrive with every byte 0.

   For each case: put read_value[i] at read_address[i] for each i below `reads`; set the registers;
   take the event, or run one instruction; hand back the registers, and what was written in order.
   An IRQ with I set is the instruction that runs instead. Then clear what you put into memory and
   what was written: a byte that stays hides a wrong address in a later case. Of NMOS's two writes
   in a read-modify-write, the unmodified byte and the result, the first may be left out.

   With carrywave_run, which may be left out, the emulator runs a program on its own: set memory and
   registers, then fill a row for each instruction and each interrupt's entry, in order. */
#ifndef CARRYWAVE_H
#define CARRYWAVE_H

#include <stddef.h>
#include <stdint.h>

/* Events. */
enum {{ {events} }};

/* Flags in p. */
enum {{ {flags} }};

#pragma pack(push, 1)

{structs}

#pragma pack(pop)

#if defined(__cplusplus)
#define CARRYWAVE_ASSERT(condition) static_assert(condition, #condition)
#elif defined(__STDC_VERSION__) && __STDC_VERSION__ >= 201112L
#define CARRYWAVE_ASSERT(condition) _Static_assert(condition, #condition)
#else
#define CARRYWAVE_ASSERT(condition) struct carrywave_unchecked
#endif
{asserts}

#if defined(__GNUC__)
#define CARRYWAVE_EXPORT __attribute__((visibility("default")))
#else
#define CARRYWAVE_EXPORT
#endif

#ifdef __cplusplus
extern "C" {{
#endif

/* Yours to write: answers each of the `count` cases. */
CARRYWAVE_EXPORT void carrywave_execute(const struct carrywave_case *cases,
                                        struct carrywave_outcome *outcomes, size_t count);

/* Yours to write, for 'compare --program FILE --run': runs on for `count` rows; `cycles` counts.
   `memory` has 65,536 bytes. The pins are in the order of their clocks, and high before the first.
   Answers how many rows it has filled: less than `count` if it can go no further. */
CARRYWAVE_EXPORT size_t carrywave_run(const struct carrywave_start *start, const uint8_t *memory,
                                      const struct carrywave_pin *pins, size_t pin_count,
                                      struct carrywave_row *rows, size_t count);

#ifdef __cplusplus
}}
#endif

#endif
"""


_ROW: Final = """\
struct carrywave_row {
    uint64_t clock;            /* its first */
    uint8_t event;             /* CARRYWAVE_INSTRUCTION, or whose entry it is */
    struct carrywave_outcome after;
};"""
_BITS: Final = {"B": 8, "H": 16, "Q": 64}


def header() -> str:
    """The header as text."""
    kinds = {"case": CASE, "outcome": OUTCOME, "start": START, "pin": PIN}
    return _TEXT.format(
        events=", ".join(f"CARRYWAVE_{event.upper()} = {i}" for i, event in enumerate(EVENTS)),
        flags=", ".join(
            f"CARRYWAVE_{f.upper()} = 0x{1 << bit:02X}" for f, bit in FLAG_BITS.items()
        ),
        structs="\n\n".join([*(_struct(kind, dtype) for kind, dtype in kinds.items()), _ROW]),
        asserts="\n".join(_asserts(kind, dtype) for kind, dtype in kinds.items()),
    )


def _struct(kind: str, dtype: np.dtype[np.void]) -> str:
    lines = [f"struct carrywave_{kind} {{"]
    for name, code, count in layout_of(dtype):
        declared = f"    uint{_BITS[code]}_t {name}"
        declared += f"[{count}];" if count > 1 else ";"
        note = _NOTES[kind].get(name)
        lines.append(f"{declared:<31}/* {note} */" if note else declared)
    return "\n".join([*lines, "};"])


def _asserts(kind: str, dtype: np.dtype[np.void]) -> str:
    struct = f"struct carrywave_{kind}"
    lines = [f"CARRYWAVE_ASSERT(sizeof({struct}) == {dtype.itemsize});"]
    for name, place in (dtype.fields or {}).items():
        lines.append(f"CARRYWAVE_ASSERT(offsetof({struct}, {name}) == {place[1]});")
    return "\n".join(lines)
