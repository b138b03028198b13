"""A board without its line, in Amaranth's simulator: frames in, frames out."""

import numpy as np
from amaranth.sim import Simulator

from carrywave.rtl.board.player_board import PlayerCore, UnitSocket
from carrywave.sim.board.frames import CASE_KIND, HELLO, Splitter, case_payload, framed, told_bytes
from carrywave.sim.cases.layout import CASE
from carrywave.sim.witness.gates import Gates

CASES = (  # event, pc, a, x, y, sp, p, and what is read
    (0, 0x0200, 0x58, 1, 2, 0xFD, 0x38, [(0x69, 0x0200), (0x46, 0x0201)]),  # a decimal sum
    (0, 0x7D7E, 0x50, 3, 4, 0x00, 0x30, [(0x20, 0x7D7E), (0x7E, 0x7D7F), (0x7D, 0x7D80)]),
    (3, 0x0400, 8, 9, 10, 0x80, 0x30, [(0x30, 0xFFFC), (0x60, 0xFFFD)]),
)
FACTS = b"\x01\x7d\x00"


def test_frames_are_answered_in_order_whatever_stands_between_them():
    cases = np.zeros(len(CASES), CASE)
    for i, (event, *registers, reads) in enumerate(CASES):
        values, addresses = zip(*reads, *[(0, 0)] * (5 - len(reads)), strict=True)
        cases[i] = (event, len(reads), *registers, values, addresses)
    asked = [framed(b"", HELLO, 7)]
    asked += [framed(case_payload(case), CASE_KIND, i) for i, case in enumerate(cases)]
    told = b"\x01\x7d~".join([b"", *asked, b""])
    core, said = PlayerCore(UnitSocket("nmos"), FACTS), bytearray()

    async def testbench(ctx):
        ctx.set(core.answer_ready, 1)
        ctx.set(core.valid, 1)
        at = 0
        while said.count(0x7E) < len(asked):
            ctx.set(core.byte, told[min(at, len(told) - 1)])
            at += ctx.get(core.ready)
            if ctx.get(core.answer_valid):
                said.append(ctx.get(core.answer))
            await ctx.tick()

    simulator = Simulator(core)
    simulator.add_clock(1e-6)
    simulator.add_testbench(testbench)
    simulator.run()
    answers = [*Splitter().frames(bytes(said))]
    assert answers[0] == (FACTS, HELLO | 0x80, 7)
    assert [(kind, tag) for _, kind, tag in answers[1:]] == [(0x81, i) for i in range(len(CASES))]
    heard = b"".join(payload for payload, _, _ in answers[1:])
    assert heard == told_bytes(Gates("nmos").execute(cases))
    assert heard != told_bytes(Gates("cmos").execute(cases))
