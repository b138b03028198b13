"""A whole board, its line included, behind a pseudo-terminal."""

import threading

import numpy as np
import pytest
from planting import planted
from wrong_chips import EDITS, NAMES, assert_found

from carrywave.sim.board import chip_sweep
from carrywave.sim.board.chip_sweep import sweep_chip
from carrywave.sim.board.desk import Desk, Hearing, levels
from carrywave.sim.board.serial_line import Board, open_port
from carrywave.sim.board.simulated import DIVISOR, Line, board_machine
from carrywave.sim.cases import sampled
from carrywave.sim.emulator.verdict import judge


@pytest.mark.parametrize("piece", [1, 7, 1000])
def test_bytes_go_onto_a_line_and_come_off_it(piece):
    told = bytes(range(256))
    line, hearing = np.append(levels(told, DIVISOR), np.ones(50, np.uint8)), Hearing(DIVISOR)
    heard = [hearing.bytes_of(line[at : at + piece]) for at in range(0, len(line), piece)]
    assert b"".join(map(bytes, heard)) == told


@pytest.mark.exhaustive
def test_mistakes_in_the_chip_are_found_over_a_pseudo_terminal(monkeypatch):
    """By cases, and by halving a block of those that the chip makes itself."""
    monkeypatch.setattr(sampled, "QUICK", 100)
    monkeypatch.setattr(chip_sweep, "AROUND", 32)
    with planted(EDITS):
        wrong = board_machine("nmos")
    over = threading.Event()
    with Desk(Line(wrong), DIVISOR) as desk:

        def serve():
            while not over.is_set():
                desk.serve(0.1)

        beside = threading.Thread(target=serve)
        beside.start()
        try:
            with Board(open_port(desk.path), desk.path, timeout=60) as board:
                verdict, facts = judge(board, names=NAMES), board.facts
                (row,) = sweep_chip(board, ["69"], whole=1 << 9, block=1 << 9).rows
                right, indexed = sweep_chip(board, ["E8", "BD"], whole=64, block=64).rows
        finally:
            over.set()
            beside.join()
    assert (facts.variant, facts.socket) == ("nmos", False)
    assert_found(verdict)
    assert desk.cases >= verdict.comparison.cases > 200
    assert right.first is None
    assert (indexed.first.index, indexed.questions) == (0, 1 + 6)
    assert set(indexed.first_fields) >= {"a"}
    assert indexed.likely[0].cause == "the carry out of the low byte of the address is lost"
    assert (row.first_fields, row.questions) == (("p.v",), 1 + 9)
    a, m = (int(row.first.case[name].flat[i]) for name, i in (("a", 0), ("read_value", 1)))
    # Carry 7, carry 6 and a carry that is clear: with these two alone V differs.
    c8, c7, c6 = a + m >> 8, (a & 127) + (m & 127) >> 7, (a & 63) + (m & 63) >> 6
    assert c8 ^ c7 != c7 ^ c6
    assert row.likely[0].change == "V must be carry 8 XOR carry 7"
