"""The board as a witness, with a board in memory at the other end of the line."""

import numpy as np
import pytest
from played import FACTS, PlayedPort

from carrywave.sim.board import serial_line
from carrywave.sim.board.kept_answers import AnswerKeeper, KeptAnswers
from carrywave.sim.board.serial_line import Board, open_port
from carrywave.sim.cases.sampled import sampled_cases
from carrywave.sim.emulator.called import EmulatorError
from carrywave.sim.emulator.verdict import judge
from carrywave.sim.system.errors import UnusableError
from carrywave.sim.witness.comparison import compare
from carrywave.sim.witness.gates import Gates


@pytest.fixture(scope="module")
def known():
    cases = sampled_cases(600, 5)
    return cases, Gates("nmos").execute(cases)


class Known:
    def __init__(self, outcomes):
        self.outcomes = outcomes

    def execute(self, cases):
        return self.outcomes


def board(*known, **given):
    port = PlayedPort(*known, **given)
    return port, Board(port, "line", timeout=5)


def test_a_sound_line_has_many_cases_in_flight(known):
    cases, outcomes = known
    port, witness = board(cases, outcomes)
    heard = []
    witness.answered = heard.append
    assert compare(Known(outcomes), witness, cases).agree
    assert heard == [*range(1, 601)]
    assert witness.repeated == 0
    assert 300 < port.most <= 2048


@pytest.mark.parametrize("one_in", [1000, 90])
def test_what_is_lost_doubled_or_torn_is_asked_again(known, one_in, monkeypatch):
    monkeypatch.setattr(serial_line, "PATIENCE", 0.01)
    monkeypatch.setattr(serial_line, "SLOWER", 0)
    monkeypatch.setattr(serial_line, "GREETINGS", 50)
    cases, outcomes = known
    port, witness = board(cases, outcomes, one_in=one_in)
    assert compare(Known(outcomes), witness, cases).agree
    assert witness.repeated > port.hurt / 3
    assert port.hurt > 9


def test_a_wrong_answer_is_a_wrong_answer_on_such_a_line_too(known, monkeypatch):
    monkeypatch.setattr(serial_line, "PATIENCE", 0.01)
    monkeypatch.setattr(serial_line, "SLOWER", 0)
    cases, outcomes = known
    wrong = outcomes.copy()
    wrong["a"][123] ^= 1
    _, witness = board(cases, wrong, one_in=1000)
    found = compare(Known(outcomes), witness, cases)
    assert (found.mismatches, found.first.index) == (1, 123)


def test_a_board_that_falls_silent_is_told(known):
    cases, outcomes = known
    port = PlayedPort(cases, outcomes)
    witness = Board(port, "line", timeout=0.1)
    port.write = lambda data: None
    with pytest.raises(EmulatorError, match=r"line: the board has not answered for 0\.1 s"):
        witness.execute(cases)


@pytest.mark.parametrize(
    ("facts", "message"),
    [
        (b"\0" + FACTS[1:], "version 0 of the protocol, this is 1: build and load it again"),
        (b"\1\7" + FACTS[2:], "no board of ours answers there"),
        (b"", "no version of the protocol"),
    ],
)
def test_another_board_is_told(facts, message):
    port = PlayedPort([], [], facts=facts)
    with pytest.raises(EmulatorError, match=message):
        Board(port, "line")
    assert port.closed


def test_another_device_is_told():
    class Chatting(PlayedPort):
        def write(self, data):
            self.waiting += b"\r\nlogin: " + data

    with pytest.raises(EmulatorError, match="line: no board of ours answers there"):
        Board(Chatting([], []), "line", timeout=0.2)


def test_a_port_that_is_not_there_is_told():
    with pytest.raises(UnusableError, match=r"^/dev/nothing: the port cannot be opened: No such"):
        open_port("/dev/nothing")


def test_a_case_without_end_is_told(known):
    cases, outcomes = known
    endless = outcomes[:2].copy()
    endless["cycles"][1] = 0
    _, witness = board(cases[:2], endless)
    with pytest.raises(EmulatorError, match="line: case 1: the unit does not come") as told:
        witness.execute(cases[:2])
    assert told.value.details


def test_answers_are_recorded_and_replayed(known, tmp_path):
    cases, outcomes = known
    path = tmp_path / "answers"
    with path.open("w") as file:
        AnswerKeeper(Known(outcomes[:9]), "nmos", file).execute(cases[:9])
    recorded = KeptAnswers(str(path))
    assert recorded.variant == "nmos"
    assert (recorded.execute(cases[8::-1]) == outcomes[8::-1]).all()
    with pytest.raises(EmulatorError, match="case 0 was not recorded"):
        recorded.execute(cases[9])
    path.write_text(path.read_text()[:-9])
    with pytest.raises(UnusableError, match="line 10: no case and outcome in hex"):
        KeptAnswers(str(path))
    path.write_text("x")
    with pytest.raises(UnusableError, match="neither a port nor what --record has written"):
        KeptAnswers(str(path))


def test_the_command_asks_a_board_and_keeps_what_it_says(carrywave, monkeypatch, tmp_path):
    """The command line, with the board in memory where pyserial's port would be."""
    seen = np.zeros(0)

    class Asked(Gates):
        def execute(self, cases):
            nonlocal seen
            seen = cases
            return super().execute(cases)

    judge(Asked("nmos"), names=["E8"])
    port = PlayedPort(seen, Gates("nmos").execute(seen))
    monkeypatch.setattr("carrywave.sim.cli.board.open_port", lambda name, baud: port)
    kept = tmp_path / "kept"
    status, out, err = carrywave("compare", "--serial", "tty", "E8", "--record", kept)
    assert (status, err) == (0, "")
    assert "tty: nmos, 12 MHz, " in out
    assert port.closed
    again = carrywave("compare", "--serial", kept, "E8")
    assert again[0] == 0
    assert again[1].split("\n")[0] == out.split("\n")[0]
    status, _, err = carrywave("compare", "--serial", "tty", "E8", "--variant", "cmos")
    assert (status, err) == (2, "carrywave: tty: this board is nmos: say --variant nmos\n")
    status, _, err = carrywave("compare", "--serial", "tty", "--program", "x.s")
    assert (status, "case by case" in err) == (2, True)
