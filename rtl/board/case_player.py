"""The case player: serves the bus of a unit, so that it runs one case and shows what it left.

It knows nothing of the unit but its pins. Registers are set by instructions that it feeds, and read
by others; between them it shows the bytes of the case. It counts on the published clocks of those
that it feeds, and says so if the unit is out of step with them.
"""

from amaranth.hdl import Array, Cat, Module, Mux, Signal
from amaranth.lib import data, enum, wiring
from amaranth.lib.wiring import In, Out

__all__ = ["READS", "WRITES", "Case", "CasePlayer", "Event", "Outcome", "answer_bytes"]

READS, WRITES = 5, 3  # at most
LONGEST = 15  # clocks in a sequence; one that goes on has no end
RESET_CLOCKS = 8  # more than any sequence has
NOP, PHP = 0xEA, 0x08


class Event(enum.Enum, shape=2):
    """What comes instead of an instruction."""

    INSTRUCTION = 0
    IRQ = 1
    NMI = 2
    RESET = 3


class Read(data.Struct):
    """A byte that lies at an address."""

    address: 16
    value: 8


class Case(data.Struct):
    """A case as its bytes come: the last one lowest. Of `read` the first `reads` count.

    ``read[0]`` is the byte that is read last.
    """

    event: Event
    _unused: 2
    reads: 3
    _unused_too: 1
    p: 8
    sp: 8
    y: 8
    x: 8
    a: 8
    pc: 16
    read: data.ArrayLayout(Read, READS)


class Outcome(data.Struct):
    """What is left, and what was written, first to last. `cycles` is 0 if there was no end."""

    pc: 16
    a: 8
    x: 8
    y: 8
    sp: 8
    p: 8
    cycles: 4
    writes: 4
    written: data.ArrayLayout(Read, WRITES)


class Byte(enum.Enum, shape=4):
    """What is fed in a clock where the opcode does not stand in the script itself."""

    ANY = 0
    A = enum.auto()
    X = enum.auto()
    Y = enum.auto()
    SP = enum.auto()
    P = enum.auto()
    PC_LOW = enum.auto()
    PC_HIGH = enum.auto()


#: What is fed before the case, clock by clock: an opcode, with which a sequence begins, or a byte.
#: PLP comes last of what changes flags, and takes back what PHA has done to the stack pointer.
BEFORE = (
    0xA2, Byte.SP, 0x9A, Byte.ANY, 0x48, Byte.ANY, Byte.ANY,  # LDX # TXS PHA
    0xA9, Byte.A, 0xA2, Byte.X, 0xA0, Byte.Y,  # LDA # LDX # LDY #
    0x28, Byte.ANY, Byte.ANY, Byte.P, 0x4C, Byte.PC_LOW, Byte.PC_HIGH,  # PLP JMP
)  # fmt: skip
JUMP = 17  # the clock in which the last instruction before the case begins
#: And behind it, with the register that is written in that clock; the first one is fed already.
BEHIND = (
    (Byte.ANY, ""), (Byte.ANY, "p"),  # PHP, which writes at SP
    (0x85, ""), (Byte.ANY, ""), (Byte.ANY, "a"),  # STA
    (0x86, ""), (Byte.ANY, ""), (Byte.ANY, "x"),  # STX
    (0x84, ""), (Byte.ANY, ""), (Byte.ANY, "y"),  # STY
)  # fmt: skip


class Phase(enum.Enum, shape=3):
    """What the player is about."""

    RECOVER = 0  # reset, and what follows it: at power-up, and where the unit is out of step
    IDLE = 1  # NOPs
    BEFORE = 2
    RESET = 3  # the second clock of a case's reset: makers want two
    CASE = 4
    BEHIND = 5
    DONE = 6


class CasePlayer(wiring.Component):
    """Runs a case on a unit in a socket whose bus it serves.

    A bus clock is some clocks here: in one of them `ask` is high, when address, `write` and `sync`
    are valid, and in the last one `step`. The byte that is read is on `data_in` from the clock
    after `ask` on. Pins change with `step`.

    Members
    -------
    case : In(Case), valid from `start` until `finished`
    start : In(1), held until `finished`
    finished : Out(1), for one clock: `outcome` is valid until the next case is 20 bus clocks old
    outcome : Out(Outcome)
    ask, step : In(1)
    address : In(16)
    data_out : In(8), valid with `step`
    write, sync : In(1)
    data_in : Out(8)
    irq_n, nmi_n, reset_n : Out(1)
    """

    case: In(Case)
    start: In(1)
    finished: Out(1)
    outcome: Out(Outcome)
    ask: In(1)
    step: In(1)
    address: In(16)
    data_out: In(8)
    write: In(1)
    sync: In(1)
    data_in: Out(8, init=NOP)
    irq_n: Out(1, init=1)
    nmi_n: Out(1, init=1)
    reset_n: Out(1)

    def elaborate(self, platform):
        m = Module()
        case, outcome = self.case, self.outcome
        phase = Signal(Phase)
        clock = Signal(5)  # within the phase
        lost = Signal()  # the unit is not where the script is
        ended = Signal()  # the case's sequence: the next one's first clock is under way
        fed = Signal(8)
        begins = Signal()  # the script begins a sequence in this clock

        bytes_ = {
            Byte.ANY: NOP, Byte.A: case.a, Byte.X: case.x, Byte.Y: case.y, Byte.SP: case.sp,
            Byte.P: case.p, Byte.PC_LOW: case.pc[:8], Byte.PC_HIGH: case.pc[8:],
        }  # fmt: skip

        def script(items):
            with m.Switch(clock):
                for at, item in enumerate(items):
                    opcode = not isinstance(item, Byte)
                    with m.Case(at):
                        m.d.comb += fed.eq(item if opcode else bytes_[item])
                        m.d.comb += begins.eq(opcode)

        m.d.comb += [fed.eq(NOP), ended.eq((phase == Phase.CASE) & self.sync & (clock != 0))]
        with m.Switch(phase):
            with m.Case(Phase.BEFORE):
                script(BEFORE)
            with m.Case(Phase.BEHIND):
                script([item for item, _ in BEHIND])
            with m.Case(Phase.CASE):
                # Where nothing lies: no byte that was meant to be read last.
                m.d.comb += fed.eq(~case.read[0].value)
                for i in range(READS):  # of two that claim a place the first wins
                    here = (case.read[i].address == self.address) & (case.reads > i)
                    with m.If(here):
                        m.d.comb += fed.eq(case.read[i].value)
                with m.If(ended):
                    m.d.comb += fed.eq(PHP)
        with m.If(self.ask):
            m.d.sync += self.data_in.eq(fed)

        with m.If(self.step):
            m.d.sync += clock.eq(clock + 1)
            with m.Switch(phase):
                with m.Case(Phase.RECOVER):
                    m.d.sync += self.reset_n.eq(clock >= RESET_CLOCKS - 1)
                    with m.If(((clock > 3 * RESET_CLOCKS) & ~self.sync) | clock.all()):
                        m.d.sync += [phase.eq(Phase.IDLE), clock.eq(0)]
                with m.Case(Phase.IDLE):
                    # A NOP ends with the clock that is not its first.
                    m.d.sync += clock.eq(Mux(self.start, clock + 1, 0))
                    with m.If(self.start & ~self.sync):
                        m.d.sync += [phase.eq(Phase.BEFORE), clock.eq(0)]
                    with m.Elif(clock > LONGEST):
                        m.d.comb += lost.eq(1)
                with m.Case(Phase.BEFORE):
                    m.d.comb += lost.eq(self.sync ^ begins)
                    with m.If(clock == JUMP - 1):
                        m.d.sync += [
                            self.irq_n.eq(case.event != Event.IRQ),
                            self.nmi_n.eq(case.event != Event.NMI),
                        ]
                    with m.If(clock == len(BEFORE) - 2):
                        m.d.sync += self.reset_n.eq(case.event != Event.RESET)
                    with m.If(clock == len(BEFORE) - 1):
                        m.d.sync += [phase.eq(Phase.CASE), clock.eq(0), outcome.writes.eq(0)]
                        with m.If(~self.reset_n):
                            m.d.sync += phase.eq(Phase.RESET)
                with m.Case(Phase.RESET):
                    m.d.sync += [phase.eq(Phase.CASE), clock.eq(0), self.reset_n.eq(1)]
                with m.Case(Phase.CASE):
                    m.d.sync += [self.irq_n.eq(1), self.nmi_n.eq(1)]
                    with m.If(self.write):
                        m.d.sync += outcome.writes.eq(outcome.writes + 1)
                        for i in range(WRITES):
                            with m.If(outcome.writes == i):
                                m.d.sync += [
                                    outcome.written[i].address.eq(self.address),
                                    outcome.written[i].value.eq(self.data_out),
                                ]
                    with m.If(ended):
                        m.d.sync += [
                            outcome.pc.eq(self.address), outcome.cycles.eq(clock),
                            phase.eq(Phase.BEHIND), clock.eq(0),
                        ]  # fmt: skip
                    with m.Elif((clock == LONGEST) | ((clock == 0) & ~self.sync)):
                        m.d.comb += lost.eq(1)
                with m.Case(Phase.BEHIND):
                    m.d.comb += lost.eq(self.sync ^ begins)
                    for at, (_, register) in enumerate(BEHIND):
                        if register:
                            with m.If(clock == at):
                                m.d.sync += outcome[register].eq(self.data_out)
                                m.d.comb += lost.eq(self.sync | ~self.write)
                                if register == "p":
                                    m.d.sync += outcome.sp.eq(self.address[:8])
                    with m.If(clock == len(BEHIND) - 1):
                        m.d.sync += phase.eq(Phase.DONE)
                # DONE does not wait for a bus clock.
            with m.If(lost):
                m.d.sync += [
                    phase.eq(Phase.DONE), outcome.cycles.eq(0), self.reset_n.eq(0),
                    self.irq_n.eq(1), self.nmi_n.eq(1),
                ]  # fmt: skip
        with m.If(phase == Phase.DONE):
            m.d.comb += self.finished.eq(1)
            m.d.sync += [phase.eq(Mux(self.reset_n, Phase.IDLE, Phase.RECOVER)), clock.eq(0)]
        return m


def answer_bytes(outcome):
    """The bytes of an outcome in the order in which they are told, and how many there are."""
    found = [
        outcome.pc[8:], outcome.pc[:8], outcome.a, outcome.x, outcome.y, outcome.sp, outcome.p,
        Cat(outcome.cycles, outcome.writes),
    ]  # fmt: skip
    for written in outcome.written:
        found += [written.value, written.address[8:], written.address[:8]]
    return Array(found)
