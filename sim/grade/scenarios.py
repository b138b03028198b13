"""What the netlist is traced on: the sweep's cases, and runs from power-up with the pins driven.

The sweep's cases are single instructions. What a request does at each clock of one, what two
requests do to each other, and what an undocumented opcode does takes runs of several.
"""

from collections.abc import Callable, Generator, Iterable, Iterator, Sequence
from typing import Any, Final, NamedTuple

import numpy as np
import numpy.typing as npt

from ..cases import kinds
from ..cases.layout import Cases
from ..family.bus_clocks import Clock
from ..family.instructions import BY_OPCODE, INSTRUCTIONS, Instruction
from ..netlist.compiled import pack, unpack
from ..netlist.synthesis import Netlist
from ..system.errors import UnusableError
from ..witness.comparison import Comparison
from ..witness.gates import BATCH, REGISTERS, Gates, GateUnit
from ..witness.model import Model
from .faults import Injector, Trace, Watch
from .reached import on_at_power_up

PINS: Final = ("irq_n", "nmi_n", "reset_n")


class DisagreementError(UnusableError):
    """The netlist is wrong without any fault: there is nothing to measure faults against."""


def watched(
    netlist: Netlist, values: Sequence[int], bus: int, address: int | None = None, ended: int = 0
) -> Watch:
    """The bus is looked at in the lanes of `bus`; what is on the data bus, where it is written."""
    masks = dict.fromkeys(netlist.outputs, bus)
    masks["address"] = bus if address is None else address
    masks["sync"] = bus | ended
    masks["data_out"] = bus & values[netlist.outputs["write"][0]]
    ports = tuple(masks[name] for name, wires in netlist.outputs.items() for _ in wires)
    return Watch(ports, ended)


def lanes_where(chosen: npt.NDArray[np.bool_]) -> int:
    """A mask of lanes."""
    return pack(chosen.view(np.uint8), 1)[0]


# The sweep's cases


class _Recording(GateUnit):
    """A unit that notes what it is given in each clock: flip-flops, pins, data bus."""

    def __init__(self, unit: GateUnit) -> None:
        self.__dict__.update(vars(unit))
        self.clocks: list[tuple[list[int], list[int], list[int]]] = []

        def clock(
            state: Sequence[Any], inputs: Sequence[Any], ones: Any
        ) -> Generator[Any, Any, Any]:
            inner = unit.clock(state, inputs, ones)
            data = yield next(inner)
            self.clocks.append((list(state), list(inputs), list(data)))
            try:
                inner.send(data)
            except StopIteration as stop:
                return stop.value
            raise AssertionError("a clock has one bus cycle")

        self.clock = clock


def trace_cases(injector: Injector, variant: str, cases: Cases) -> Trace:
    """The netlist on cases just as the sweep puts them to it, watched just as the sweep judges.

    A lane is a case, in the order of their events and opcodes. Raises DisagreementError where the
    netlist does not agree with the model.
    """
    netlist = injector.netlist
    witness, model = Gates(variant, netlist), Model(variant)
    witness.unit = recording = _Recording(witness.unit)
    ones = (1 << len(cases)) - 1
    state = [0] * len(netlist.flops)
    pins: list[list[int]] = []
    data: list[list[int]] = []
    spans: list[npt.NDArray[np.int64]] = []
    first = 0
    for block, instruction in alike(cases):
        recording.clocks.clear()
        expected, actual = model.execute(block), witness.execute(block)
        if witness.off_bus or not Comparison.of(block, expected, actual).agree:
            raise DisagreementError(f"{variant}: the gates do not agree with the model")
        whole = (1 << len(block)) - 1
        for k, (before, inputs, byte) in enumerate(recording.clocks):
            if k == len(data):
                pins.append([ones] * len(inputs))
                data.append([0] * 8)
            if k == 0:
                state = [a | b << first for a, b in zip(state, before, strict=True)]
            pins[k] = [a ^ (b ^ whole) << first for a, b in zip(pins[k], inputs, strict=True)]
            data[k] = [a | b << first for a, b in zip(data[k], byte, strict=True)]
        first += len(block)
        begin = len(recording.clocks) - int(expected["cycles"].max())  # behind an event's beginning
        shown = claimed_clocks(block, instruction, variant)
        spans.append(np.stack([np.full(len(block), begin), begin + expected["cycles"], shown]))
    begins, ends, claims = np.concatenate(spans, axis=1)
    pins.append([ones] * len(recording.inputs))
    data.append([0] * 8)

    names = (*REGISTERS, "status.flags")
    trace = Trace(ones, frozenset(wire for name in names for wire in netlist.names[name]))
    for k, (levels, byte) in enumerate(zip(pins, data, strict=True)):
        named = dict(zip(recording.inputs, levels, strict=True))
        values = injector.settle(state, named, byte, ones)
        running = (begins <= k) & (k < ends)
        claimed = running & (claims >> np.maximum(k - begins, 0) & 1 > 0)
        bus, address, over = map(lanes_where, (running, claimed, ends == k))
        trace.values.append(values)
        trace.watches.append(watched(netlist, values, bus, address, over))
        state = injector.next_state(values)
    return trace


def alike(cases: Cases) -> Iterator[tuple[Cases, Instruction]]:
    """The cases of one opcode, masked IRQs apart, or of one entry."""
    keys = kinds.keys_of(cases)
    masked = (cases["event"] > 0) & (keys < 256)
    for run, rows in kinds.alike(keys + kinds.KEYS * masked.astype(np.uint16)):
        for start in range(0, len(rows), BATCH):
            yield cases[rows[start : start + BATCH]], kinds.BY_KEY[run % kinds.KEYS]


def claimed_clocks(cases: Cases, instruction: Instruction, variant: str) -> npt.NDArray[np.int64]:
    """For each case the clocks whose address is published, a bit each, the first one lowest."""

    def bits(clocks: Iterable[Clock]) -> int:
        return sum(1 << k for k, clock in enumerate(clocks) if clock.address is not None)

    sequence, crossing = instruction.sequence(variant), instruction.mode.crossing
    crossed: Any = True
    if crossing is not None and not instruction.branches:
        symbols = kinds.symbols_of(cases, instruction)
        before, after = (page.over(symbols) for page in crossing)
        crossed = before != after
    within = bits(clock for clock in sequence if clock.when != "crossed")
    return np.where(crossed, bits(sequence), within) + np.zeros(len(cases), np.int64)


# Runs from power-up. Memory is 1 KB, seen again at every address with the same low ten bits.

MEMORY: Final = 1024
CODE: Final = 0x0200  # where reset goes
TARGET: Final = 0x0240  # of jumps and returns, and an absolute operand
INPUT: Final = slice(0x0290, 0x02A0)  # what is read here is inverted in every other clock
ON_IRQ: Final = 0x0300
ON_NMI: Final = 0x0320
BEGIN: Final = 7  # the clock in which the first opcode is fetched
FOREVER: Final = 1 << 16
NOP, CLI, SEI, SED, INX, INY, RTI, BRK = 0xEA, 0x58, 0x78, 0xF8, 0xE8, 0xC8, 0x40, 0x00
ORA, CLC = 0x05, 0x18  # as fillings: between them and NOP, every bit is 0 and is 1
NEAR, FAR = 0x10, 0xC0  # a branch's offsets: in this page, and back into the one before


class Lane(NamedTuple):
    """One run from power-up: the code at 0200 and when pins are low, (pin, clock, clocks) each.

    Elsewhere memory holds the filling, but for a handler of IRQ, `INX RTI`, one of NMI, `INY RTI`,
    and what PLP, RTI and RTS pull first: flags with I clear, then an address.
    """

    code: bytes
    lows: tuple[tuple[str, int, int], ...] = ()
    filling: int = NOP


def image(lane: Lane) -> bytes:
    """The memory of a lane."""
    memory = bytearray([lane.filling]) * MEMORY
    memory[CODE : CODE + len(lane.code)] = lane.code
    memory[ON_IRQ : ON_IRQ + 2] = bytes([INX, RTI])
    memory[ON_NMI : ON_NMI + 2] = bytes([INY, RTI])
    for place, address in ((0x3FA, ON_NMI), (0x3FC, CODE), (0x3FE, ON_IRQ)):
        memory[place : place + 2] = address.to_bytes(2, "little")
    # Reset leaves SP at FD. RTI pulls flags, then 0240; RTS pulls 4000 and goes on at 4001.
    memory[0x1FE], memory[0x1FF], memory[0x100] = 0x00, TARGET % 256, TARGET // 256
    return bytes(memory)


def trace_lanes(injector: Injector, lanes: Sequence[Lane], clocks: int) -> Trace:
    """The netlist on runs from power-up, the bus watched in every clock."""
    netlist, rows = injector.netlist, len(lanes)
    ones = (1 << rows) - 1
    memory = np.frombuffer(b"".join(map(image, lanes)), np.uint8).reshape(rows, MEMORY).copy()
    every = np.arange(rows)
    low = {pin: np.zeros((clocks, rows), bool) for pin in PINS}
    for row, lane in enumerate(lanes):
        for pin, clock, width in lane.lows:
            low[pin][clock : clock + width, row] = True
    on = on_at_power_up(netlist.names)
    state = [ones if q in on else 0 for q, _ in netlist.flops]
    trace = Trace(ones)
    for k in range(clocks):
        pins = {pin: ones ^ lanes_where(low[pin][k]) for pin in PINS}
        *address, write = injector.bus(state, pins, ones)
        places = unpack(address[:10], rows, np.uint16)
        values = injector.settle(state, pins, pack(memory[every, places], 8), ones)
        chosen = unpack([write], rows, np.uint8).view(bool)
        written = unpack([values[w] for w in netlist.outputs["data_out"]], rows, np.uint8)
        memory[every[chosen], places[chosen]] = written[chosen]
        memory[:, INPUT] ^= 0xFF
        trace.values.append(values)
        trace.watches.append(watched(netlist, values, ones))
        state = injector.next_state(values)
    return trace


def bodies(instruction: Instruction, address: int = TARGET) -> list[bytes]:
    """An instruction with operands that suit the lanes' memory."""
    code = bytes([instruction.opcode or 0])
    if instruction.branches:
        return [code + bytes([offset]) for offset in (NEAR, FAR)]
    if instruction.length == 2:
        return [code + bytes([NEAR])]
    return [(code + address.to_bytes(2, "little"))[: instruction.length]]


def requests() -> Iterator[Lane]:
    """One request, short or long, at each clock of each instruction and of the next one's fetch."""
    for instruction in INSTRUCTIONS:
        decimal = instruction.mnemonic in ("ADC", "SBC")
        for body in bodies(instruction):
            for prelude in ([CLI], [SEI], [CLI, SED])[: 2 + decimal]:
                code = bytes(prelude) + body
                first = BEGIN + 2 * len(prelude)
                for clock in range(first - 1, first + instruction.clocks + 3):
                    for width in (1, FOREVER):
                        yield from (Lane(code, ((pin, clock, width),)) for pin in PINS)


def pairs() -> Iterator[Lane]:
    """Two requests at any two clocks around BRK, and around the entries that they cause."""
    clocks = range(BEGIN, BEGIN + 16)
    for code in (bytes([CLI, BRK, NOP]), bytes([CLI])):
        for one, other in (
            ("nmi_n", "nmi_n"), ("irq_n", "nmi_n"), ("irq_n", "reset_n"), ("nmi_n", "reset_n"),
        ):  # fmt: skip
            for first in clocks:
                yield from (Lane(code, ((one, first, 2), (other, then, 2))) for then in clocks)


def stops() -> Iterator[Lane]:
    """Each undocumented opcode: left alone, and with a request while the unit has stopped."""
    for opcode in sorted(set(range(256)) - set(BY_OPCODE)):
        code = bytes([CLI, opcode])
        yield Lane(code)
        yield from (Lane(code, ((pin, BEGIN + 8, 2),)) for pin in PINS)


def discards() -> Iterator[Lane]:
    """Each instruction among other bytes, which it must not heed where it discards them."""
    for instruction in INSTRUCTIONS:
        for body in bodies(instruction):
            yield from (Lane(body, filling=filling) for filling in (ORA, CLC))


def inputs() -> Iterator[Lane]:
    """Each instruction with a whole address, at a place that reads otherwise in each clock."""
    for instruction in INSTRUCTIONS:
        if instruction.access and instruction.length == 3:
            yield from (Lane(body) for body in bodies(instruction, INPUT.start))


class Scenario(NamedTuple):
    """A kind of runs, each traced for so many clocks."""

    title: str
    lanes: Callable[[], Iterable[Lane]]
    clocks: int


SCENARIOS: Final = {
    "requests": Scenario("one at each clock of each instruction", requests, 40),
    "pairs": Scenario("two at any clocks around BRK and the entries", pairs, 60),
    "stops": Scenario("undocumented opcodes, requests after them", stops, 30),
    "discards": Scenario("each instruction among other bytes", discards, 20),
    "inputs": Scenario("operands that change with each clock", inputs, 16),
}
