"""A sweep on the chip: blocks, signatures, and how the first wrong case is found."""

import zlib

import numpy as np
import pytest
from played import PlayedPort
from usual import first_of

from carrywave.sim.board import chip_sweep
from carrywave.sim.board.chip_sweep import asked, bases, block_for, sweep_chip, sweep_size, swept
from carrywave.sim.board.frames import Facts, block_payload, made_cases, told_bytes
from carrywave.sim.cases.layout import CASE
from carrywave.sim.system.errors import UnusableError
from carrywave.sim.witness.gates import Gates


@pytest.mark.parametrize("opcode", first_of(["69", "C0", "65", "75", "71", "A1", "BE"], 2))
def test_a_board_makes_every_input_of_an_operand(opcode):
    (form,) = swept([opcode])
    for base in bases(form):
        cases = asked(base, 0, 1 << 18, "nmos")
        register = {"X": "x", "Y": "y"}.get(form.mnemonic[-1], "a")
        flags = cases["p"] & 1 | cases["p"] >> 2 & 2
        operand = cases["read_value"][:, form.reads.index("m")]
        said = operand | cases[register].astype(int) << 8
        assert np.bincount(said | flags.astype(int) << 16).tolist() == [1] * (1 << 18)
        assert (cases["read_value"][:, 0] == form.opcode).all()


def test_it_makes_cases_of_every_opcode_and_both_ways_of_an_index():
    assert len(swept()) == 151
    assert sweep_size() == 151 << 19
    for form in swept():
        one, toggled = bases(form)
        places = [base["read_address"][: base["reads"]].tolist() for base in (one, toggled)]
        assert all(len({*several}) == len(several) > 1 for several in places), form
        if form.index and "address.high" in form.reads and not form.pointer:
            high = [int(base["read_value"][2]) for base in (one, toggled)]
            low = [int(base["x"]) + int(base["read_value"][1]) >> 8 for base in (one, toggled)]
            assert low == [1, 0]
            if form.access != "write":
                assert [several[-1] >> 8 for several in places] == [high[0] + 1, high[1]]


def test_a_block_is_as_long_as_a_board_is_fast():
    assert [block_for(kilohertz) for kilohertz in (0, 200, 500, 6000, 25_000)] == [
        1 << 16, 8192, 32768, 1 << 16, 1 << 16,
    ]  # fmt: skip


(FORM,) = swept(["69"])


class Chip:
    """A board that has a witness in its place, and tells of it in blocks."""

    name, facts = "chip", Facts("nmos", False, 2048, 12_000)

    def __init__(self, witness):
        self.witness, self.asked = witness, []

    def signature(self, case, first, count):
        self.asked.append((first, count))
        return zlib.crc32(told_bytes(self.execute(made_cases(case, first, count))))

    def execute(self, cases):
        return self.witness.execute(cases)


class WrongOnce(Gates):
    """V of SBC is wrong where 0x12 is subtracted from 0xA7 without carry, D clear."""

    def execute(self, cases):
        outcomes = super().execute(cases)
        here = (cases["a"] == 0xA7) & (cases["read_value"][:, 1] == 0x12) & (cases["p"] & 9 == 0)
        outcomes["p"][here] ^= 0x40
        return outcomes


@pytest.mark.exhaustive
def test_halving_finds_the_first_wrong_case(monkeypatch):
    monkeypatch.setattr(chip_sweep, "AROUND", 64)
    chip = Chip(WrongOnce("nmos"))
    found = sweep_chip(chip, ["E9"])
    (row,) = found.rows
    assert not found.agree
    assert row.first.index == 0xA712
    assert row.first_fields == ("p.v",)
    assert row.questions == 1 + 16
    first, found = bases(row.form)[0], row.first.case
    assert found.tobytes() == made_cases(first, 0xA712, 1).tobytes()


def test_a_wrong_case_of_the_second_surroundings_is_counted_on(monkeypatch):
    class Late(Gates):
        def execute(self, cases):
            outcomes = super().execute(cases)
            outcomes["x"] ^= (cases["pc"] == 0xC33D) & (cases["p"] & 9 == 9) & (cases["a"] > 3)
            return outcomes

    monkeypatch.setattr(chip_sweep, "diagnose", lambda *given: [])
    (row,) = sweep_chip(Chip(Late("nmos")), ["A2"]).rows
    assert row.first.index == (1 << 18) + (3 << 16) + 0x400
    assert row.first_fields == ("x",)


@pytest.mark.exhaustive
def test_a_right_chip_agrees_and_others_are_told():
    seen = []
    found = sweep_chip(Chip(Gates("nmos")), ["CPX"], progress=seen.append)
    assert found.agree
    assert (found.cases, seen[-1]) == (sweep_size(["CPX"]), 3 << 19)
    with pytest.raises(UnusableError, match="IRQ: a board makes cases of instructions alone"):
        sweep_chip(Chip(Gates("nmos")), ["IRQ"])


@pytest.mark.exhaustive
def test_the_command_sweeps_over_the_line(carrywave, monkeypatch):
    """A mistake of an emulator in the chip's place, found in blocks, told as 'compare' does."""
    base = bases(FORM)[0]

    def blocks(payload):
        count, first = int.from_bytes(payload[:3], "big"), int.from_bytes(payload[3:6], "big")
        (case,) = [one for one in bases(FORM) if block_payload(one, first, count) == payload]
        return told_bytes(WrongAdd("nmos").execute(made_cases(case, first, count)))

    class WrongAdd(Gates):
        """V is that of carry 7 XOR carry 6."""

        def execute(self, cases):
            outcomes = super().execute(cases)
            a, m, c = (
                cases["a"].astype(int),
                cases["read_value"][:, 1].astype(int),
                cases["p"] & 1,
            )
            c7, c6 = ((a & 127) + (m & 127) + c) >> 7, ((a & 63) + (m & 63) + c) >> 6
            outcomes["p"] = outcomes["p"] & 0xBF | ((c7 ^ c6) << 6).astype(np.uint8)
            return outcomes

    class Answering(PlayedPort):
        """Asked one by one, it answers in the same way."""

        def write(self, data):
            for payload, kind, _ in type(self.splitter)().frames(data):
                if kind == 1 and payload not in self.answers:
                    case = np.zeros((), CASE)
                    case[()] = base
                    case["pc"] = int.from_bytes(payload[6:8], "big")
                    case["read_address"][:2] = case["pc"], int(case["pc"]) + 1
                    case["read_value"][1] = payload[3]
                    case["a"], case["x"], case["y"], case["sp"], case["p"] = payload[8:13]
                    self.answers[payload] = told_bytes(WrongAdd("nmos").execute(case.reshape(1)))
            super().write(data)

    monkeypatch.setattr(chip_sweep, "AROUND", 200)
    port = Answering([], [], blocks=blocks)
    monkeypatch.setattr("carrywave.sim.cli.board.open_port", lambda name, baud: port)
    status, out, err = carrywave("sweep", "--serial", "tty", "69")
    assert (status, err) == (1, "")
    assert "69      ADC immediate  65,536         17" in out
    assert "ADC immediate, case 319" in out
    assert "Likely" in out


def test_an_opcode_is_swept_on_a_board_alone(carrywave):
    status, out, err = carrywave("sweep", "69")
    assert (status, out) == (2, "")
    assert err == "carrywave: 69: an opcode goes with --serial\n"
