"""Frames in hardware, held to the host's own, whose checksum is that of Python's library."""

import random

import pytest
from amaranth.sim import Simulator

from carrywave.rtl.board.framing import FrameReader, FrameWriter
from carrywave.sim.board.frames import framed, unframed

pytestmark = pytest.mark.exhaustive  # a board answers frames in the usual run, too

SIZE = 12


def simulated(component, testbench):
    simulator = Simulator(component)
    simulator.add_clock(1e-6)
    simulator.add_testbench(testbench)
    simulator.run()


def read(told):
    """The frames that a reader finds in bytes."""
    reader, found = FrameReader(SIZE), []

    async def testbench(ctx):
        for byte in told:
            ctx.set(reader.byte, byte)
            ctx.set(reader.valid, 1)
            await ctx.tick()
            ctx.set(reader.valid, 0)
            if ctx.get(reader.present):
                found.append(ctx.get(reader.content).to_bytes(SIZE, "big"))
                assert not ctx.get(reader.ready)
                ctx.set(reader.taken, 1)
                await ctx.tick()
                ctx.set(reader.taken, 0)

    simulated(reader, testbench)
    return found


def written(contents):
    """The bytes that a writer makes of the contents of frames, a line taking its time."""
    writer, found = FrameWriter(), []

    async def testbench(ctx):
        for content in contents:
            place = 0
            while place < len(content) or found[-1] != 0x7E:
                ctx.set(writer.offered, place < len(content))
                ctx.set(writer.content, content[min(place, len(content) - 1)])
                ctx.set(writer.last, place == len(content) - 1)
                ctx.set(writer.ready, len(found) % 3 == 0)
                if len(found) % 3:
                    await ctx.tick()
                    ctx.set(writer.ready, 1)
                if ctx.get(writer.valid):
                    found.append(ctx.get(writer.byte))
                place += ctx.get(writer.accepted)
                await ctx.tick()

    simulated(writer, testbench)
    return bytes(found)


def test_writer_and_host_make_the_same_frames():
    contents = b"\x7e\x7d\x20\x00\x5e\x5d\x01\x09", b"\x7d\x7e", b"abc", bytes(range(0x70, 0x82))
    frames = [framed(content[:-2], content[-2], content[-1]) for content in contents]
    assert written(contents) == b"".join(frames)
    told = [unframed(frame[:-1]) for frame in frames]
    assert told == [(content[:-2], content[-2], content[-1]) for content in contents]


def test_a_reader_finds_whole_frames_and_nothing_else():
    """Frames with a byte lost, doubled or torn at every place, or noise, good ones between them."""
    frame, good = framed(b"\x12\x7e\x7d", 1, 9), framed(b"\x01\x02", 1, 5)
    noise = random.Random(7)
    hurt = [bytes(noise.randrange(256) for _ in range(noise.randrange(30))) for _ in range(20)]
    for place in range(len(frame)):
        byte, behind = frame[place], frame[place + 1 :]
        hurt.append(frame[:place] + behind)
        hurt.append(frame[:place] + bytes([byte, byte]) + behind)
        hurt.append(frame[:place] + bytes([byte ^ 1 << place % 8]) + behind)
    kept = [one[-9:-4] for one in read(b"".join(one + b"\x7e" + good for one in hurt))]
    meant = {b"\x01\x02\x01\x05", b"\x7e\x7d\x01\x09"}
    assert {one[-4:] for one in kept} == meant
    assert sum(one.endswith(b"\x01\x02\x01\x05") for one in kept) == len(hurt) == 56
    # Where only a flag or an escape came twice, or the last flag did not come: no harm is done.
    assert sum(one.endswith(b"\x7e\x7d\x01\x09") for one in kept) == 4
