"""A board that runs a listing: a unit, block RAM with the listing in it, and a serial line."""

from amaranth.hdl import Cat, EnableInserter, Module, Signal
from amaranth.lib import wiring
from amaranth.lib.memory import Memory
from amaranth.lib.wiring import In, Out

from .. import datapath
from .serial import SerialReceiver, SerialTransmitter

__all__ = ["DATA", "SIZE", "STATUS", "ProgramBoard", "place_of"]

SIZE = 0x2000  # bytes: half of them from 0000 on, half up to FFFF
DATA, STATUS = 0xD000, 0xD001  # in page D0 and each up to DF


def place_of(address):
    """Where an address lies in the memory; None where there is none."""
    if 0xD000 <= address <= 0xDFFF or 0x1000 <= address < 0xF000:
        return None
    return address & 0x0FFF | (address >> 15) << 12


class ProgramBoard(wiring.Component):
    """A unit that runs what its memory holds.

    Memory has 0000 to 0FFF and F000 to FFFF. A byte written to D000 is sent, if the last one is
    gone; a byte read there is the last one that came. Of D001, bit 7 says that a byte can be sent,
    bit 6 that one has come since D000 was read. A clock of the unit is two of the board.

    Parameters
    ----------
    variant : Variant
    divisor : int
        Clocks in a bit of the line.
    content : list of int, SIZE bytes, as `place_of` orders them

    Members
    -------
    receive : In(1), the line to the board
    transmit : Out(1), the line from it
    """

    receive: In(1, init=1)
    transmit: Out(1, init=1)

    def __init__(self, variant, divisor, content):
        super().__init__()
        self.variant, self.divisor, self.content = variant, divisor, content

    def elaborate(self, platform):
        m = Module()
        step, came = Signal(), Signal()
        unit = datapath.Unit(self.variant)
        m.submodules.unit = EnableInserter(step)(unit)
        m.submodules.memory = memory = Memory(shape=8, depth=SIZE, init=self.content)
        m.submodules.receiver = receiver = SerialReceiver(self.divisor)
        m.submodules.transmitter = transmitter = SerialTransmitter(self.divisor)
        read, write = memory.read_port(), memory.write_port()
        heard = Signal(8)
        place, device = Cat(unit.address[:12], unit.address[15]), Signal()
        m.d.sync += step.eq(~step)
        m.d.comb += [
            device.eq(unit.address[12:] == DATA >> 12),
            read.addr.eq(place), write.addr.eq(place), write.data.eq(unit.data_out),
            write.en.eq(step & unit.write & ~device), unit.data_in.eq(read.data),
            transmitter.byte.eq(unit.data_out), receiver.line.eq(self.receive),
            transmitter.valid.eq(step & unit.write & device & ~unit.address[0]),
            self.transmit.eq(transmitter.line),
        ]  # fmt: skip
        with m.If(device & ~unit.address[0]):
            m.d.comb += unit.data_in.eq(heard)
            with m.If(step & ~unit.write):
                m.d.sync += came.eq(0)
        with m.Elif(device):
            m.d.comb += unit.data_in.eq(Cat(heard[:6], came, transmitter.ready))
        with m.If(receiver.valid):
            m.d.sync += [heard.eq(receiver.byte), came.eq(1)]
        return m
