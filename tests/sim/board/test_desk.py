"""A whole board, its line included, behind a pseudo-terminal."""

import threading
from dataclasses import replace

import numpy as np
import pytest
from wrong_chips import with_wrong_overflow

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
def test_a_mistake_in_the_chip_is_found_over_a_pseudo_terminal(monkeypatch):
    monkeypatch.setattr(sampled, "QUICK", 100)
    machine = board_machine("nmos")
    wrong = replace(machine, netlist=with_wrong_overflow(machine.netlist))
    over = threading.Event()
    with Desk(Line(wrong), DIVISOR) as desk:

        def serve():
            while not over.is_set():
                desk.serve(0.1)

        beside = threading.Thread(target=serve)
        beside.start()
        try:
            with Board(open_port(desk.path), desk.path, timeout=60) as board:
                verdict = judge(board, names=["69", "E8"])
                signature = board.facts
        finally:
            over.set()
            beside.join()
    assert (signature.variant, signature.socket) == ("nmos", False)
    assert verdict.comparison.instructions["INX"].mismatches == 0
    assert verdict.comparison.instructions["ADC"].fields.keys() == {"p.v"}
    assert "carry 8 XOR carry 7" in str(verdict.likely[0])
    assert desk.cases >= verdict.comparison.cases > 300
