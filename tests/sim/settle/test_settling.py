"""The gates in time: each step is that of a slow simulation of every gate, or derived by hand."""

import itertools
import json
import random
from functools import partial

import pytest

from carrywave.sim.family.members import VARIANTS
from carrywave.sim.netlist import ADDERS
from carrywave.sim.netlist.alu_gates import MNEMONICS, AluGates
from carrywave.sim.netlist.synthesis import drawn_netlist
from carrywave.sim.settle import settling as settle
from carrywave.sim.settle import survey

SAMPLES = 5  # transitions of each instruction and adder
PORTS = ("a", "b", "carry_in", "decimal", "operation")


def answer(kind, inputs):
    """One gate's output, as its symbol is defined."""
    if kind == "AND":
        return int(all(inputs))
    if kind == "OR":
        return int(any(inputs))
    if kind == "XOR":
        return int(sum(inputs) == 1)
    if kind == "NOT":
        return int(not inputs[0])
    assert kind == "MUX"
    return inputs[1] if inputs[2] else inputs[0]


def slowly(netlist, operation, before, after):
    """Every gate of the ALU's part in every step, until a step changes none: the carry chain c0 to
    c8, sum, result and flags in each step, from the old inputs' on."""
    names = netlist.names
    drivers = {gate.output: gate for gate in netlist.gates}

    def set_inputs(values, numbers):
        for port, number in zip(PORTS, (*numbers, operation), strict=True):
            for i, wire in enumerate(names.get(f"alu.{port}", ())):
                values[wire] = number >> i & 1

    values = {0: 0, 1: 1}
    set_inputs(values, before)
    sources, part = set(values), {}

    def need(wire):
        if wire not in sources and wire not in part:
            part[wire] = drivers[wire]
            for read in drivers[wire].inputs:
                need(read)

    ports = ("operand", "carry", "sum", "result", "n", "v", "z", "c")
    for port in ports:
        for wire in names[f"alu.{port}"]:
            need(wire)
    values |= dict.fromkeys(part, 0)

    def step():
        new = {w: answer(g.kind, [values[i] for i in g.inputs]) for w, g in part.items()}
        moved = sum(new[w] != values[w] for w in new)
        values.update(new)
        return moved

    while step():
        pass
    set_inputs(values, after)
    course, moved = [], [0]
    while True:
        course.append(
            {p: sum(values[w] << i for i, w in enumerate(names[f"alu.{p}"])) for p in ports}
        )
        if not (count := step()):
            return course, moved
        moved.append(count)


def transitions(mnemonic, variant, seed):
    """Random inputs before and after, the numbers that the command takes for them among them."""
    use, rng = MNEMONICS[mnemonic], random.Random(seed)
    for _ in range(SAMPLES):
        start = rng.randrange(256), rng.randrange(256), rng.randrange(2)
        left, m, carry = rng.randrange(256), rng.randrange(256) * use.operand, rng.randrange(2)
        decimal = use.decimal and rng.randrange(2)
        yield start, (left, m, carry, decimal), (left, m)[: 1 + use.operand]


def differing_steps(variant, adder, alu=None, mnemonics=MNEMONICS):
    """How many transitions settle in other steps than the slow simulation's, and of how many."""
    netlist, wrong, count = drawn_netlist(variant, adder), 0, 0
    for mnemonic in mnemonics:
        operation = MNEMONICS[mnemonic].operation.value
        for start, after, numbers in transitions(mnemonic, variant, f"{mnemonic} {variant}"):
            carry, decimal = after[2:]
            found = settle.settle(
                mnemonic, numbers, carry, bool(decimal), start, variant, adder, alu
            )
            course, moved = slowly(netlist, operation, (*start, decimal), after)
            wanted = [{port: step[port] for port in found.steps[0]} for step in course]
            wrong += (list(found.steps), list(found.moved)) != (wanted, moved)
            count += 1
            assert found.agree
    return wrong, count


# Each adder, and each variant: what corrects a decimal sum stands behind an adder of any kind.
@pytest.mark.parametrize(
    ("variant", "adder"),
    [
        ("nmos", "ripple"),
        *(
            pytest.param(variant, adder, marks=pytest.mark.exhaustive)
            for variant, adder in zip(VARIANTS, reversed(ADDERS), strict=True)
        ),
    ],
)
def test_every_step_is_that_of_a_slow_simulation(variant, adder):
    assert differing_steps(variant, adder) == (0, SAMPLES * len(MNEMONICS))


def test_the_comparison_sees_a_gate_that_answers_later(delayed):
    netlist = drawn_netlist("nmos")
    slower = delayed(netlist, netlist.names["alu.carry"][3])
    wrong, count = differing_steps("nmos", "ripple", AluGates("nmos", slower), ["ADC", "SBC"])
    assert 0 < wrong <= count == 2 * SAMPLES


def test_the_comparison_sees_gates_that_answer_at_once(monkeypatch):
    def hasty(alu, before, after, ones):
        values = dict(before)
        new = zip(alu.source_wires, after, strict=True)
        yield {wire: plane for wire, plane in new if plane != values[wire]}
        last = settle.settled(alu.gates, dict(zip(alu.source_wires, after, strict=True)), ones)
        yield {g.output: last[g.output] for g in alu.gates if last[g.output] != values[g.output]}

    monkeypatch.setattr(settle, "generations", hasty)
    wrong, count = differing_steps("nmos", "ripple", mnemonics=["ADC", "CMP"])
    assert 0 < wrong <= count == 2 * SAMPLES


# FF + 01 after 0 + 0 + 0. A is there in step 0 and M, through one multiplexer, in step 1; the AND
# that makes a carry follows in 2 and the OR that hands it to c1 in 3. Each place above adds the AND
# of its propagate, which is long there, and its OR. Where decimal mode is connected, the carry out
# of the low digit, c4, goes through one OR more, in which ten of a decimal digit would force it.
@pytest.mark.parametrize(("variant", "extra"), [("binary", 0), ("nmos", 1), ("cmos", 1)])
def test_a_carry_runs_through_the_ripple_chain_two_gates_a_bit(variant, extra):
    found = settle.settle("ADC", [0xFF, 0x01], variant=variant)
    steps = [found.changes[f"c{i}"] for i in range(9)]
    assert steps == [[], *([2 * i + 1 + extra * (i >= 4)] for i in range(1, 9))]
    # The sum shows all ones, as if nothing was carried, and each bit falls a gate after its carry.
    assert [found.changes[f"sum[{i}]"] for i in range(8)] == [
        [2, max(3, steps[i][0] + 1 if i else 3)] for i in range(8)
    ]
    # V is c8 XOR c7, and c7 is two gates early: an overflow that is none shows for two steps.
    assert found.changes["v"] == [steps[7][0] + 2, steps[8][0] + 2]
    assert found.steps[-1] == {
        "operand": 1, "carry": 0x1FE, "sum": 0, "result": 0, "n": 0, "v": 0, "z": 1, "c": 1,
    }  # fmt: skip
    assert set(found.glitches) == {
        *(f"{port}[{i}]" for port in ("sum", "result") for i in range(8)), "n", "v", "z",
    }  # fmt: skip
    assert found.settled == found.changes["z"][-1]


@pytest.mark.parametrize("adder", ["lookahead", "prefix"])
def test_other_adders_carry_less_than_two_gates_a_bit(adder):
    ripple, other = (settle.settle("ADC", [0xFF, 1], adder=a) for a in ("ripple", adder))
    assert other.steps[-1] == ripple.steps[-1]
    assert other.changes["c8"][-1] < ripple.changes["c8"][-1] - 6


def test_a_compare_of_equals_ripples_although_nothing_changes_in_the_end():
    found = settle.settle("CMP", [5, 5])
    assert found.steps[0] | {"operand": 0xFA} == found.steps[-1]
    assert len(found.changes["z"]) == 14
    assert {f"c{i}" for i in range(1, 9)} < set(found.glitches)


def test_nothing_settles_where_nothing_changes():
    found = settle.settle("ADC", [5, 6], 1, start=(5, 6, 1))
    assert (found.settled, len(found.steps), found.moved, found.glitches) == (0, 1, (0,), {})


def test_instructions_show_their_own_outputs():
    logic, compare, increment = (
        settle.settle(*given) for given in (("AND", [5, 4]), ("CMP", [5, 4]), ("INC", [5]))
    )
    assert list(logic.steps[0]) == ["result", "n", "z"]
    assert list(compare.steps[0]) == ["operand", "carry", "sum", "result", "n", "z", "c"]
    assert increment.inputs == {"a": 5, "b": 0, "carry_in": 0, "decimal": 0}
    assert increment.steps[-1]["result"] == 6


def test_last_values_that_are_not_those_without_delay_are_seen(monkeypatch):
    monkeypatch.setitem(settle.FUNCTIONS, "XOR", lambda ones, a, b: a | b)
    assert not settle.settle("ADC", [0xFF, 0x80]).agree
    monkeypatch.undo()
    whole = settle.generations
    monkeypatch.setattr(settle, "generations", lambda *given: itertools.islice(whole(*given), 9))
    assert not settle.settle("ADC", [0xFF, 1]).agree
    assert settle.settle("ADC", [0x80, 1]).steps[-1]["sum"] == 0x81


# the command


@pytest.fixture
def command(carrywave):
    """Runs ``carrywave settle``: exit status, standard output, standard error."""
    return partial(carrywave, "settle")


def test_the_command_gives_the_steps_as_json(command):
    status, out, err = command("ADC", "0xFF", "1", "--adder", "prefix", "--json")
    assert (status, err, out.count("\n")) == (0, "", 1)
    value = json.loads(out)
    found = settle.settle("ADC", [255, 1], adder="prefix")
    assert value == json.loads(json.dumps(found.to_json()))
    assert value["adder"] == "prefix"
    assert value["from"] == {"a": 0, "b": 0, "carry_in": 0, "decimal": 0}
    assert value["settled"] == value["steps"][-1]["step"] == found.settled
    assert value["changes"]["v"] == found.changes["v"]


def test_the_command_takes_its_options(command):
    status, out, _ = command(
        "SBC", -1, "$10", "--carry", 1, "--decimal", "--variant", "cmos", "--from", "-128, 0x10,1",
        "--json",
    )  # fmt: skip
    value = json.loads(out)
    assert status == 0
    assert value["from"] == {"a": 0x80, "b": 0x10, "carry_in": 1, "decimal": 1}
    assert value["inputs"] == {"a": 0xFF, "b": 0x10, "carry_in": 1, "decimal": 1}
    assert value["variant"] == "cmos"


def test_the_command_writes_the_waveform(command, tmp_path):
    status, out, err = command("ADC", 255, 1, "--vcd", tmp_path / "settle.vcd")
    assert (status, err, out.startswith("ADC  A=$FF M=$01 C=0  after")) == (0, "", True)
    assert [path.name for path in tmp_path.iterdir()] == ["settle.vcd"]
    assert (tmp_path / "settle.vcd").read_text().endswith("settled after 24 gate delays $end\n")


def test_the_command_takes_every_input_of_adc_and_every_adder(command, tmp_path):
    status, out, err = command("--all", "--json", "--svg", tmp_path / "settle.svg")
    assert (status, err, out.count("\n")) == (0, "", 1)
    found = survey.survey("ADC", adders=ADDERS)
    assert json.loads(out) == json.loads(json.dumps(found.to_json()))
    assert [path.name for path in tmp_path.iterdir()] == ["settle.svg"]
    assert (tmp_path / "settle.svg").read_text() == found._repr_svg_()
    status, out, _ = command("--all", "cmp", "--adder", "prefix", "--variant", "cmos", "--json")
    value = json.loads(out)
    assert (status, value["mnemonic"], value["variant"]) == (0, "CMP", "cmos")
    assert [adder["adder"] for adder in value["adders"]] == ["prefix"]


@pytest.mark.parametrize(
    "arguments",
    [("ADC", 255, 1), ("ADC", 255, 1, "--decimal"), ("ADC", 0, 0), ("--all",), ("--all", "AND"),
     ("--all", "SBC", "--adder", "prefix", "--variant", "binary")],
)  # fmt: skip
def test_no_line_ends_in_blanks_or_is_longer_than_80(arguments, command):
    status, out, _ = command(*arguments)
    lines = out.splitlines()
    assert (status, len(lines) > 5, max(map(len, lines)) <= 80) == (0, True, True)
    assert [line for line in lines if line != line.rstrip()] == []


DOES = "ADC AND ASL BIT CMP CPX CPY DEC DEX DEY EOR INC INX INY LSR ORA ROL ROR SBC"


@pytest.mark.parametrize(
    ("arguments", "message"),
    [
        ((), "give a mnemonic with its numbers, or --all"),
        (("LDA", 5), f"the ALU computes nothing for LDA: give one of {DOES}"),
        (("--all", "JMP"), f"the ALU computes nothing for JMP: give one of {DOES}"),
        (("ADC", 5), "ADC takes two numbers, A and the operand; 1 given"),
        (("INX", 5, 6), "INX takes one number, X; 2 given"),
        (("ADC", 5, 256),
         "Invalid value for '[A] [OPERAND]': 256 does not fit in a byte: expected -128 to 255"),
        (("ADC", 5, 6, "--from", "1,2"),
         "Invalid value for '--from': '1,2' is not A,OPERAND,CARRY: write three numbers, 0,0,0"),
        (("ADC", 5, 6, "--from", "1,2,0,0"),
         "Invalid value for '--from': '1,2,0,0' is not A,OPERAND,CARRY: write three numbers, "
         "0,0,0"),
        (("ADC", 5, 6, "--from", "1,300,0"),
         "Invalid value for '--from': 300 does not fit in a byte: expected -128 to 255"),
        (("ADC", 5, 6, "--from", "x,3,0"),
         "Invalid value for '--from': 'x' is not a number: write 80, 0x50, $50, %01010000 or -1"),
        (("ADC", 5, 6, "--from", "1,3,2"),
         "Invalid value for '--from': '1,3,2': the carry is 0 or 1"),
        (("ADC", 5, 6, "--adder", "all"), "--adder all goes with --all"),
        (("ADC", 5, 6, "--adder", "fast"),
         "Invalid value for '--adder': 'fast' is not one of 'ripple', 'lookahead', 'prefix', "
         "'all'."),
        *((("--all", "ADC", *given),
           "--all takes every input, decimal off, from 0,0,0, and writes no waveform: leave out "
           "numbers, --carry, --decimal, --from and --vcd")
          for given in ((5,), (0, 0), ("--carry", 0), ("--decimal",), ("--from", "0,0,0"),
                        ("--vcd", "x.vcd"))),
    ],
)  # fmt: skip
def test_what_cannot_be_used_is_one_line(arguments, message, command, tmp_path, monkeypatch):
    monkeypatch.chdir(tmp_path)
    assert command(*arguments) == (2, "", f"carrywave: {message}\n")
    assert list(tmp_path.iterdir()) == []


@pytest.mark.parametrize(
    "arguments", [("ADC", 1, 2, "--vcd"), ("--all", "INX", "--adder", "ripple", "--svg")]
)
def test_a_file_that_cannot_be_written_is_named(arguments, command, tmp_path):
    path = tmp_path / "missing" / "file"
    said = f"carrywave: {path}: No such file or directory\n"
    assert command(*arguments, path) == (2, "", said)


def test_the_exit_status_tells_of_a_disagreement(command, monkeypatch):
    monkeypatch.setattr(settle, "differing", lambda *given: 3)
    monkeypatch.setattr(survey, "differing", lambda *given: 3)
    status, out, _ = command("ADC", 1, 2)
    assert (status, "The last values are not those of the gates without delay." in out) == (1, True)
    status, out, _ = command("--all", "INX", "--adder", "ripple")
    assert (status, "ripple: 3 inputs do not end as without delay" in out) == (1, True)
