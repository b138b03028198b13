"""The socket, with a model of a member's pins in it: delays, hold times, and who drives the bus."""

import pytest
from amaranth.hdl import Cat, EnableInserter, Module, Mux, Signal
from amaranth.lib import wiring
from amaranth.lib.wiring import In, Out, connect

from carrywave.rtl.board.member_socket import MEMBER, MemberSocket
from carrywave.rtl.board.player_board import PlayerCore
from carrywave.rtl.datapath import Unit
from carrywave.sim.board.frames import NoEndError
from carrywave.sim.board.simulated import ManyBoards, machine_of
from carrywave.sim.cases.sampled import sampled_cases
from carrywave.sim.witness.comparison import Comparison
from carrywave.sim.witness.evened import evened
from carrywave.sim.witness.gates import Gates

GARBAGE = 0x55


class Member(wiring.Component):
    """A member's pins around our unit, in clocks much shorter than its own.

    It takes what is on the bus where its clock falls, if that was there before and is after;
    addresses come two clocks later, and are wrong in between; what it writes is there from two
    clocks behind the rise of its clock to one behind its fall. If both drive at once it is broken.
    """

    pins: In(MEMBER)

    def elaborate(self, platform):
        m = Module()
        pins = self.pins
        fell, unit = Signal(), Unit("nmos")
        m.submodules.unit = EnableInserter(fell)(unit)
        high, before = Signal(3), Signal(9)
        shown, driving, broken = Signal(18), Signal(), Signal()
        m.d.sync += [high.eq(Cat(pins.phi, high[:2])), before.eq(Cat(pins.driven, pins.drive))]
        m.d.comb += fell.eq(high[0] & ~pins.phi)
        held = pins.drive & (before == Cat(pins.driven, pins.drive))
        m.d.comb += [
            unit.data_in.eq(Mux(held, pins.driven, GARBAGE)),
            unit.irq_n.eq(pins.irq_n), unit.nmi_n.eq(pins.nmi_n), unit.reset_n.eq(pins.reset_n),
            driving.eq(unit.write & high[0] & (high[2] | ~pins.phi)),
            pins.data.eq(Mux(driving, unit.data_out, GARBAGE)),
        ]  # fmt: skip
        now = Cat(unit.address, ~unit.write, unit.sync)
        stable = ~(high[0] ^ pins.phi) & ~high[1] | pins.phi
        m.d.sync += shown.eq(now)
        m.d.comb += Cat(pins.address, pins.read, pins.sync).eq(Mux(stable & ~broken, shown, ~shown))
        with m.If(driving & pins.drive):
            m.d.sync += broken.eq(1)
        return m


class Wired(wiring.Component):
    """The two as `PlayerCore` wants its socket."""

    def __init__(self, socket):
        self.inner = socket
        ends = {"ask": 1, "step": 1, "address": 16, "data_out": 8, "write": 1, "sync": 1}
        given = {"data_in": 8, "irq_n": 1, "nmi_n": 1, "reset_n": 1}
        super().__init__({name: Out(width) for name, width in ends.items()}
                         | {name: In(width) for name, width in given.items()})  # fmt: skip

    def elaborate(self, platform):
        m = Module()
        m.submodules.socket, m.submodules.member = socket, member = self.inner, Member()
        connect(m, socket.pins, member.pins)
        for name, member_of in self.signature.members.items():
            ours, theirs = getattr(self, name), getattr(socket, name)
            m.d.comb += ours.eq(theirs) if member_of.flow is Out else theirs.eq(ours)
        return m


class Grasping(MemberSocket):
    """Drives while the member writes."""

    def drives(self, clock):
        return clock >= self.low - 1


class Hasty(MemberSocket):
    """Lets go as the member's clock falls, before the hold time is over."""

    def drives(self, clock):
        return super().drives(clock) & (clock < self.low + self.high - 1)


def played(socket, count):
    cases = sampled_cases(count, 3)
    ports = ("byte", "valid", "ready", "answer", "answer_valid", "answer_ready")
    boards = ManyBoards(machine_of(PlayerCore(Wired(socket), b"\0"), ports))
    expected = Gates("nmos").execute(cases)
    actual = boards.execute(cases)
    return Comparison.of(cases, expected, evened(cases, expected, actual, "nmos"))


@pytest.mark.exhaustive
def test_a_member_in_a_socket_plays_cases():
    found = played(MemberSocket(6, 6), 2000)
    assert found.agree, found.first
    assert len(found.instructions) > 55


@pytest.mark.exhaustive
@pytest.mark.parametrize("wrong", [Grasping, Hasty])
def test_contention_and_a_short_hold_are_seen(wrong):
    with pytest.raises((NoEndError, AssertionError)):
        assert played(wrong(6, 6), 40).agree
