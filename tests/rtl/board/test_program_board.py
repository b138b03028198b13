"""A listing in block RAM: it runs, keeps what it writes, sends and hears bytes."""

import numpy as np
import pytest
from amaranth.sim import Simulator

from carrywave.rtl.board.program_board import ProgramBoard
from carrywave.sim.board.desk import Hearing, levels
from carrywave.sim.cli.board import contents_of

DIVISOR = 4
ECHO = """
 .org $F000
        LDA #$41
        STA $0200
WAIT:   LDA $D001       ; until a byte has come
        AND #$40
        BEQ WAIT
        LDA $D000
        EOR $0200
        STA $D000
        LDA $D001
        AND #$40
        BNE HERE        ; it was taken: the next one has not come yet
        JMP WAIT
HERE:   JMP HERE
"""


@pytest.mark.exhaustive
def test_a_listing_hears_and_sends(tmp_path):
    listing = tmp_path / "echo.s"
    listing.write_text(ECHO)
    board = ProgramBoard("nmos", DIVISOR, contents_of(str(listing)))
    quiet = np.ones(400, np.uint8)
    line = np.concatenate([quiet, *(np.append(levels(bytes([b]), DIVISOR), quiet) for b in b"ab~")])
    said = []

    async def testbench(ctx):
        for level in line.tolist():
            ctx.set(board.receive, level)
            said.append(ctx.get(board.transmit))
            await ctx.tick()

    simulator = Simulator(board)
    simulator.add_clock(1e-6)
    simulator.add_testbench(testbench)
    simulator.run()
    heard = bytes(Hearing(DIVISOR).bytes_of(np.array(said, np.uint8)))
    assert heard == bytes(byte ^ 0x41 for byte in b"ab~")
