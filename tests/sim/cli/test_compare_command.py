"""`carrywave compare`: right emulators agree, mistakes are named, bad input is refused."""

from __future__ import annotations

import json
import os
import shlex
import shutil
import signal
import subprocess
import sys
import time
from collections.abc import Callable
from functools import partial
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from shipped import EXAMPLES, build, needs_compiler
from usual import first_of

from carrywave.sim.cases.case_memory import possible
from carrywave.sim.cases.kinds import instruction_of
from carrywave.sim.cases.layout import CASE, Cases, Outcomes, plain
from carrywave.sim.cases.sampled import (
    batches,
    count_cases,
    forms_named,
    quick_cases,
    sampled_cases,
)
from carrywave.sim.cli.op import command as op_command
from carrywave.sim.emulator.c_header import header
from carrywave.sim.emulator.called import PythonFunction
from carrywave.sim.emulator.verdict import judge
from carrywave.sim.family.instructions import BY_MNEMONIC, BY_OPCODE, ENTRIES, INSTRUCTIONS
from carrywave.sim.family.members import EVENTS, VARIANTS
from carrywave.sim.mistakes.catalogue import BY_NUMBER, MISTAKES
from carrywave.sim.mistakes.mistake import Mistaken
from carrywave.sim.op.operation import operate, operation_command
from carrywave.sim.witness.comparison import FIELDS
from carrywave.sim.witness.model import Model
from carrywave.waves.check.dump_check import check_dump
from carrywave.waves.vcd.recorded import write_wrong_case

MISTAKEN = """
import os
from carrywave.sim.mistakes.catalogue import BY_NUMBER
from carrywave.sim.mistakes.mistake import Mistaken

numbers = [int(number) for number in os.environ["MISTAKES"].split()]
execute = Mistaken(*(BY_NUMBER[n] for n in numbers), variant=os.environ["VARIANT"]).execute
"""

needs_node = pytest.mark.skipif(shutil.which("node") is None, reason="no node here")

Command = Callable[..., tuple[int, str, str]]


@pytest.fixture
def command(carrywave: Command, monkeypatch: pytest.MonkeyPatch, tmp_path: Path) -> Command:
    """Runs `carrywave compare` in a folder of its own."""
    monkeypatch.chdir(tmp_path)
    monkeypatch.setenv("PYTHONDONTWRITEBYTECODE", "1")  # beside the examples
    return partial(carrywave, "compare")


@pytest.fixture
def compare(command: Command) -> Callable[..., tuple[int, Any]]:
    """Runs it with --json: exit status and the object."""

    def run(*arguments: str) -> tuple[int, Any]:
        status, out, err = command("--json", *arguments)
        assert err == ""
        return status, json.loads(out)

    return run


@pytest.fixture
def mistaken(monkeypatch: pytest.MonkeyPatch, tmp_path: Path) -> Callable[..., list[str]]:
    """The option that puts a model with mistakes beside the gates."""

    def plant(*numbers: int, variant: str = "nmos") -> list[str]:
        monkeypatch.setenv("MISTAKES", " ".join(map(str, numbers)))
        monkeypatch.setenv("VARIANT", variant)
        (tmp_path / "mistaken.py").write_text(MISTAKEN)
        return ["--python", "mistaken.py:execute", "--arrays", "--variant", variant]

    return plant


# What agrees


@pytest.mark.parametrize(
    "option",
    [
        pytest.param(["--library", "{}/emulator.so"], marks=needs_compiler, id="library"),
        pytest.param(
            ["--python", "{}/adapter.py:execute"], id="scalar", marks=pytest.mark.exhaustive
        ),
        pytest.param(["--python", "{}/arrays.py:execute", "--arrays"], id="arrays"),
        pytest.param(
            ["--pipe", "node {}/adapter.js"], id="pipe", marks=[needs_node, pytest.mark.exhaustive]
        ),
    ],
)
def test_a_right_emulator_agrees(command: Command, tmp_path: Path, option: list[str]) -> None:
    folder = tmp_path / "examples"
    shutil.copytree(EXAMPLES, folder)
    if option[0] == "--library":
        build(folder)
    status, out, err = command(*(word.format(folder) for word in option), "--vcd", "first.vcd")
    assert out.splitlines() == [
        "Agree: 174,320 cases of 59 instructions.",
        "Covered: 151 of 151 documented opcodes.",
        "D after RESET is unknown on NMOS: not compared.",
        "Not counted: NMOS's write of the unmodified byte, left out in 24,691 cases.",
        "",
        "first.vcd: nothing to write",
    ]
    assert (status, err) == (0, "")
    assert not Path("first.vcd").exists()


def test_no_agreement_stands_without_what_was_not_checked(
    command: Command, compare: Callable[..., tuple[int, Any]]
) -> None:
    option = ["--python", f"{EXAMPLES}/adapter.py:execute"]
    status, out, _ = command(*option, "NMI", "69", "JMP")
    assert (status, out.splitlines()[:2]) == (
        0, ["Agree: 5,128 cases of 3 instructions.", "Covered: 3 of 151 documented opcodes."],
    )  # fmt: skip
    assert out.count("Opcodes not compared: ADC STA zp zp,X abs abs,X abs,Y ") == 1
    found = compare(*option, "NMI", "69", "JMP")[1]["coverage"]
    assert (found["documented"], found["covered"]) == (151, 3)
    assert len(found["not_compared"]) == 148


def test_of_two_writes_the_first_may_be_left_out(
    command: Command, compare: Callable[..., tuple[int, Any]]
) -> None:
    """The ready example writes the result alone, as most emulators do; the model does both."""
    option = ["--python", f"{EXAMPLES}/adapter.py:execute"]
    status, found = compare(*option, "INC", "INX")
    assert (status, found["one_write"]) == (0, found["instructions"]["INC"]["cases"])
    out = command(*option, "INC")[1]
    assert "Not counted: NMOS's write of the unmodified byte" in out
    Path("mine.py").write_text("from carrywave.sim import Model\nexecute = Model().execute\n")
    option = ["--python", "mine.py:execute", "--arrays"]
    assert compare(*option, "INC", "INX")[1]["one_write"] == 0
    assert "unmodified" not in command(*option, "INC")[1]


@needs_compiler
def test_every_case_that_can_matter_is_put(
    compare: Callable[..., tuple[int, Any]], tmp_path: Path
) -> None:
    library = str(build(tmp_path))
    names = ["INC", "PLA", "BRK", "NMI"]
    status, found = compare("--library", library, "--cases", "full", *names)
    assert (status, found["agree"], found["mismatches"]) == (0, True, 0)
    assert found["cases"] + found["left_out"] == count_cases("full", names) > 1_000_000
    assert 0 < found["left_out"] < 100
    assert sorted(found["instructions"]) == sorted(names)
    assert found["first"] is None
    assert found["likely"] == []
    assert found["unknown"] == {}


def test_the_readmes_wrong_emulator_is_found_out(command: Command, carrywave: Command) -> None:
    option = f"{EXAMPLES}/wrong.py:execute"
    status, out, err = command("--python", option, "ADC", "SBC", "--vcd", "first.vcd")
    assert (status, err) == (1, "")
    assert "Disagree: " in out
    assert "p.v:" in out
    assert "Likely" in out
    assert "V must be carry 8 XOR carry 7." in out
    assert "         c8    c7    c6    c5    c4    c3    c2    c1    c0" in out
    drawn = next(line for line in out.splitlines() if line.startswith("To draw it:"))
    status, picture, err = carrywave("op", *shlex.split(drawn.partition("carrywave op ")[2]))
    assert (status, err) == (0, "")
    assert "\n".join(line.rstrip() for line in picture.splitlines()) in "\n".join(
        line.rstrip() for line in out.splitlines()
    )
    again = next(line for line in out.splitlines() if line.startswith("Its waveform:"))
    words = shlex.split(again.partition("carrywave compare ")[2])
    first = Path("first.vcd").read_text()
    assert words[-1] == "first.vcd"
    Path("first.vcd").unlink()
    assert command(*words)[0] == 1
    assert Path("first.vcd").read_text() == first


def test_the_readmes_lines_are_a_case_and_what_becomes_of_it() -> None:
    lines = (EXAMPLES.parents[2] / "README.md").read_text().splitlines()
    (asked,) = (json.loads(line) for line in lines if line.startswith('{"event"'))
    (answer,) = (json.loads(line) for line in lines if line.startswith('{"pc"'))
    case = np.zeros((), CASE)
    for i, pair in enumerate(asked["reads"]):
        case["read_address"][i], case["read_value"][i] = pair
    for name in ("event", "pc", "a", "x", "y", "sp", "p"):
        case[name] = asked[name]
    case["reads"] = len(asked["reads"])
    assert plain(case) == asked
    assert plain(Model().execute(case)) == answer


# Mistakes in C: old text, new text, and by instruction the fields that are wrong

BRANCHES = sorted(one.mnemonic for one in INSTRUCTIONS if one.branches)
PATCHES: dict[str, tuple[str, str, dict[str, str]]] = {
    "V is the carry": (
        "cpu->v = (cpu->a ^ sum) & (m ^ sum) & 0x80;", "cpu->v = cpu->c;",
        {"ADC": "p.v", "SBC": "p.v"},
    ),
    "SBC adds": ("set_sum(cpu, ~m);", "set_sum(cpu, m);", {"SBC": "a p.n p.v p.z p.c"}),
    "compare strictly": ("left >= m", "left > m", dict.fromkeys(("CMP", "CPX", "CPY"), "p.c")),
    "compare writes V": (
        "cpu->c = left >= m;",
        "cpu->c = left >= m; cpu->v = (left ^ m) & (left ^ (left - m)) & 0x80;",
        dict.fromkeys(("CMP", "CPX", "CPY"), "p.v"),
    ),
    "BIT's V of the wrong bit": (
        "cpu->v = m >> 6 & 1;\n    cpu->z", "cpu->v = m >> 5 & 1;\n    cpu->z", {"BIT": "p.v"}
    ),
    "low digit corrected on half carry only": (
        "if (low > 0x09)", "if (low > 0x0F)", {"ADC": "a p.n p.v p.c"}
    ),
    "ROL without the carry": (
        "shift(cpu, at, left, cpu->c)", "shift(cpu, at, left, 0)", {"ROL": "a p.z write_value"}
    ),
    "INC keeps Z": (
        "bus_write(at, set_nz(cpu, bus_read(at) + 1));",
        "uint8_t m = bus_read(at) + 1; cpu->n = m >> 7; bus_write(at, m);",
        {"INC": "p.z"},
    ),
    "TXS sets N and Z": ("cpu->sp = cpu->x)", "cpu->sp = set_nz(cpu, cpu->x))", {"TXS": "p.n p.z"}),
    "JSR pushes the next address": (
        "push_word(cpu, cpu->pc - 1);", "push_word(cpu, cpu->pc);", {"JSR": "write_value"}
    ),
    "RTS without one more": ("pull_word(cpu) + 1)", "pull_word(cpu))", {"RTS": "pc"}),
    "pull reads first": (
        "bus_read(0x100 + ++cpu->sp)", "bus_read(0x100 + cpu->sp++)",
        {"PLA": "a p.n p.z", "PLP": "p.n p.v p.d p.i p.z p.c", "RTS": "pc",
         "RTI": "pc p.n p.v p.d p.i p.z p.c"},
    ),
    "stack runs out of its page": (
        "bus_write(0x100 + cpu->sp--, byte)", "bus_write(0x100 + (int8_t)cpu->sp--, byte)",
        dict.fromkeys(("PHA", "PHP", "JSR", "BRK", "IRQ", "NMI"), "write_address"),
    ),
    "PHP without B": (
        "push(cpu, cpu_flags(cpu, true))", "push(cpu, cpu_flags(cpu, false))",
        {"PHP": "write_value"},
    ),
    "I set before the flags are pushed": (
        "    push(cpu, cpu_flags(cpu, b));\n    cpu->i = true;",
        "    cpu->i = true;\n    push(cpu, cpu_flags(cpu, b));",
        dict.fromkeys(("BRK", "IRQ", "NMI"), "write_value"),
    ),
    "BRK without its second byte": ("cpu->pc++; cpu_enter(", "cpu_enter(", {"BRK": "write_value"}),
    "NMI by the other vector": ("cpu, 0xFFFA, false", "cpu, 0xFFFE, false", {"NMI": "pc"}),
    "reset leaves I": ("cpu->sp -= 3;\n    cpu->i = true;", "cpu->sp -= 3;", {"RESET": "p.i"}),
    "reset writes": (
        "cpu->sp -= 3;", "push_word(cpu, cpu->pc); push(cpu, 0);", {"RESET": "writes"}
    ),
    "a page crossed is free": ("? 2 : 1", "? 1 : 1", dict.fromkeys(BRANCHES, "cycles")),
}  # fmt: skip


OFTEN = ("V is the carry",)


@needs_compiler
@pytest.mark.parametrize(
    "mistake",
    [pytest.param(one, marks=[pytest.mark.exhaustive] * (one not in OFTEN)) for one in PATCHES],
)
def test_a_mistake_in_c_is_found_in_its_instructions_and_fields(
    compare: Callable[..., tuple[int, Any]], tmp_path: Path, mistake: str
) -> None:
    old, new, wrong = PATCHES[mistake]
    library = str(build(tmp_path, old, new))
    status, found = compare("--library", library)
    assert (status, found["agree"]) == (1, False)
    fields = {
        name: " ".join(share["fields"])
        for name, share in found["instructions"].items()
        if share["mismatches"]
    }
    assert fields == wrong
    assert found["mismatches"] == sum(s["mismatches"] for s in found["instructions"].values())
    assert {cause["instruction"] for cause in found["likely"]} == set(wrong)


@pytest.mark.parametrize(
    "number",
    [
        47,
        *(
            pytest.param(number, marks=pytest.mark.exhaustive)
            for number in (1, 9, 13, 16, 21, 25, 27, 32, 40, 53, 55, 64, 66)
        ),
    ],
)
def test_a_planted_mistake_is_named(
    compare: Callable[..., tuple[int, Any]], mistaken: Callable[..., list[str]], number: int
) -> None:
    mistake = BY_NUMBER[number]
    status, found = compare(*mistaken(number))
    wrong = {name for name, share in found["instructions"].items() if share["mismatches"]}
    assert status == 1
    assert wrong == mistake.mnemonics
    assert {c["instruction"] for c in found["likely"] if number in c["numbers"]} == wrong
    explained = [c for c in found["likely"] if number in c["numbers"]]
    for cause in explained:
        assert cause["explains"] == found["instructions"][cause["instruction"]]["mismatches"]


def test_two_mistakes_are_both_named(
    compare: Callable[..., tuple[int, Any]], mistaken: Callable[..., list[str]]
) -> None:
    status, found = compare(*mistaken(41, 17), "RTS", "CMP", "PLA")
    assert status == 1
    assert {n for n, s in found["instructions"].items() if s["mismatches"]} == {"RTS", "CMP"}
    assert {n for c in found["likely"] for n in c["numbers"]} >= {41, 17}


@pytest.mark.exhaustive
@pytest.mark.parametrize("variant", VARIANTS)
def test_the_quick_cases_show_every_mistake(variant: str) -> None:
    model, found = Model(variant), 0
    for mistake in MISTAKES:
        if variant not in mistake.variants:
            continue
        wrong = Mistaken(mistake, variant=variant)
        for name in mistake.mnemonics:
            cases = np.concatenate(list(batches(forms_named([name])[name], "quick", 0, variant)))
            assert model.execute(cases).tobytes() != wrong.execute(cases).tobytes(), mistake.name
            found += 1
    assert found > 90


def test_a_value_outside_its_range_is_wrong_though_what_is_left_of_it_is_right(
    compare: Callable[..., tuple[int, Any]], command: Command
) -> None:
    """As of an emulator that forgets to cut what it has counted: INX leaves 256."""
    Path("adapter.py").write_text((EXAMPLES / "adapter.py").read_text())
    text = (EXAMPLES / "emulator.py").read_text()
    old = '"inx": lambda e, at: e.load("x", e.x + 1)'
    assert text.count(old) == 1
    new = '"inx": lambda e, at: (e.load("x", e.x + 1), e.put("x", e.x or 256))'
    Path("emulator.py").write_text(text.replace(old, new))
    status, found = compare("--python", "adapter.py:execute", "INX", "INY", "DEX")
    assert status == 1
    wrong = found["instructions"]["INX"]
    cases = np.concatenate(list(batches(forms_named(["INX"])["INX"], "quick", 0, "nmos")))
    assert wrong["mismatches"] == np.count_nonzero(cases["x"] == 255) > 10
    assert wrong["fields"] == {"x": wrong["mismatches"]}
    assert found["mismatches"] == wrong["mismatches"]
    first = found["first"]
    assert first["outside"] == {"x": "x is 256: expected 0 to 255"}
    assert first["expected"]["x"] == first["actual"]["x"] == 0
    status, out, _ = command("--python", "adapter.py:execute", "INX")
    assert status == 1
    assert out.splitlines().count("  x is 256: expected 0 to 255") == 1
    assert "!  x " in out
    assert compare("--python", "adapter.py:execute", "INX", "--skip", "x")[1]["agree"]


@needs_compiler
def test_a_word_pulled_across_the_page_differs_where_it_crosses(
    compare: Callable[..., tuple[int, Any]], tmp_path: Path
) -> None:
    """RTS and RTI, each byte pulled in page one but for the second of a word: it is read at 0200.

    Nothing lies there, so that 0 is the high byte.
    """
    old = "    uint8_t low = pull(cpu);\n    return low | pull(cpu) << 8;"
    new = (
        "    uint16_t at = 0x100 + (uint8_t)(cpu->sp + 1);\n    cpu->sp += 2;\n"
        "    return bus_read(at) | bus_read(at + 1) << 8;"
    )
    status, found = compare("--library", str(build(tmp_path, old, new)))
    wrong = {name: s["fields"] for name, s in found["instructions"].items() if s["mismatches"]}
    assert status == 1
    assert set(wrong) == {"RTS", "RTI"}
    for name, sp in (("RTS", 0xFE), ("RTI", 0xFD)):
        cases = np.concatenate(list(batches(forms_named([name])[name], "quick", 0, "nmos")))
        high = np.take_along_axis(cases["read_value"], cases["reads"][:, None] - 1, 1)[:, 0]
        count = np.count_nonzero((cases["sp"] == sp) & (high != 0))
        assert wrong[name] == {"pc": count}
        assert count > 2
    first = found["first"]
    assert first["case"]["reads"][-1][0] == 0x0100
    assert first["actual"]["pc"] >> 8 == 0


# What is shown


def test_the_json_has_all_there_is_to_know(
    compare: Callable[..., tuple[int, Any]], mistaken: Callable[..., list[str]]
) -> None:
    status, found = compare(*mistaken(16, variant="cmos"), "CMP", "TAX", "--skip", "cycles,p.d")
    assert status == 1
    assert list(found) == [
        "agree", "variant", "cases", "mismatches", "skipped", "uncounted", "instructions", "first",
        "likely", "unknown", "left_out", "one_write", "coverage",
    ]  # fmt: skip
    assert (found["agree"], found["variant"], found["cases"]) == (False, "cmos", 9228)
    assert found["skipped"] == ["p.d", "cycles"]
    assert list(found["instructions"]) == ["CMP", "TAX"]
    assert found["instructions"]["TAX"] == {"cases": 1025, "mismatches": 0, "fields": {}}
    share = found["instructions"]["CMP"]
    assert share["cases"] == 8203
    assert set(share["fields"]) == {"p.n", "p.z", "p.c"}
    assert 0 < max(share["fields"].values()) <= share["mismatches"] == found["mismatches"]
    first = found["first"]
    assert list(first) == [
        "index", "case", "expected", "actual", "outside", "instruction", "command", "waveform",
    ]  # fmt: skip
    assert first["instruction"] == "CMP"
    assert first["case"]["p"] & 1 == 0
    cases = np.concatenate(list(batches(forms_named(["CMP"])["CMP"], "quick", 0, "cmos")))
    case = cases[first["index"]]
    assert plain(case) == first["case"]
    assert plain(Model("cmos").execute(case)) == first["expected"]
    wrong = Mistaken(BY_NUMBER[16], variant="cmos")
    assert plain(wrong.execute(case)) == first["actual"]
    assert first["command"].startswith("carrywave op CMP 0x")
    assert first["command"].endswith(" --variant cmos")
    assert first["waveform"] == (
        "carrywave compare --python mistaken.py:execute --arrays --variant cmos "
        "--skip cycles,p.d CMP --vcd first.vcd"
    )
    assert {"instruction", "cause", "change", "explains"} <= set(found["likely"][0])


def test_other_seeds_are_other_cases_and_the_same_is_the_same(
    compare: Callable[..., tuple[int, Any]], mistaken: Callable[..., list[str]]
) -> None:
    option = mistaken(1)
    objects = [compare(*option, "ADC", "--seed", seed)[1] for seed in ("0", "0", "1")]
    assert objects[0] == objects[1]
    assert objects[0]["first"]["case"] != objects[2]["first"]["case"]
    assert "--seed 1" in objects[2]["first"]["waveform"]


def test_cycles_that_are_not_counted_are_not_compared(command: Command) -> None:
    Path("mine.py").write_text(
        "from carrywave.sim import Model\n\n"
        "def execute(cases):\n"
        "    outcomes = Model().execute(cases)\n    outcomes['cycles'] = 0\n    return outcomes\n"
    )
    status, out, err = command("--python", "mine.py:execute", "--arrays", "ADC", "NMI")
    assert (status, err) == (0, "")
    lines = out.splitlines()
    assert lines[:3] == [
        "Agree: 17,433 cases of 2 instructions.",
        "Cycles not counted in 17,433 cases.",
        "Covered: 8 of 151 documented opcodes.",
    ]


@pytest.mark.parametrize(("variant", "status"), first_of([("cmos", 1), ("nmos", 0), ("binary", 0)]))
def test_d_after_reset_is_compared_where_the_makers_tell_it(
    compare: Callable[..., tuple[int, Any]], variant: str, status: int
) -> None:
    Path("mine.py").write_text(
        "from carrywave.sim import Model\n\n"
        "def execute(cases):\n"
        f"    outcomes = Model('{variant}').execute(cases)\n"
        "    outcomes['p'][cases['event'] == 3] ^= 8\n    return outcomes\n"
    )
    found = compare("--python", "mine.py:execute", "--arrays", "--variant", variant)
    assert found[0] == status
    assert found[1]["unknown"] == ({"RESET": ["p.d"]} if status == 0 else {})
    share = found[1]["instructions"]["RESET"]
    assert share["cases"] > 1000
    assert share["fields"] == ({} if status == 0 else {"p.d": share["cases"]})


# Commands and waveforms


def test_each_case_has_a_command_that_op_understands(command: Command) -> None:
    seen = set()
    for form in INSTRUCTIONS:
        case = quick_cases(form)[5]
        text = operation_command(case, "binary")
        assert text is not None
        program, name, mnemonic, *words = shlex.split(text)
        assert (program, name, mnemonic) == ("carrywave", "op", form.mnemonic)
        assert words[-2:] == ["--variant", "binary"]
        context = op_command.make_context("op", [mnemonic, *words])
        assert context.params["carry"] == case["p"] & 1
        assert context.params["decimal"] == bool(case["p"] & 8)
        seen.add(form.opcode)
    assert len(seen) == 151
    assert operation_command(quick_cases(ENTRIES["NMI"])[0]) is None


@pytest.mark.parametrize(
    ("mnemonic", "mode"),
    [("SBC", "absolute"), ("CPY", "zero page"), ("ROR", "zero page"), ("INC", "absolute"),
     ("PLA", "implied"), ("TSX", "implied"), ("BIT", "zero page")],
)  # fmt: skip
def test_a_command_does_what_the_case_does(mnemonic: str, mode: str) -> None:
    case = next(c for c in quick_cases(BY_MNEMONIC[mnemonic][mode]) if mnemonic != "TSX" or c["sp"])
    if mnemonic == "TSX":
        case["sp"] = 0xFD  # where the command's stack begins
    params = op_command.make_context("op", shlex.split(str(operation_command(case)))[2:]).params
    from carrywave.sim.op.operation import arrange

    a, operand = arrange(mnemonic, params["numbers"])
    shown = operate(
        mnemonic, a, operand, params["carry"], params["decimal"], status=params["status"]
    )
    outcome = Model().execute(case)
    for flag, bit in (("n", 7), ("v", 6), ("d", 3), ("i", 2), ("z", 1), ("c", 0)):
        assert shown.after[flag] == int(outcome["p"]) >> bit & 1, flag


@pytest.mark.parametrize("name", first_of(["STA", "IRQ", "ADC", "JSR", "RTI", "BNE", "RESET"]))
def test_the_waveform_has_the_emulators_values_beside(name: str, tmp_path: Path) -> None:
    class Shifted:
        def execute(self, cases: Cases) -> Outcomes:
            outcomes = Model("cmos").execute(cases)
            outcomes["a"] ^= 0x55
            outcomes["pc"] += 1
            outcomes["p"] ^= 0xC1
            return outcomes

    verdict = judge(Shifted(), "cmos", [name])
    assert verdict.first is not None
    path = tmp_path / "first.vcd"
    with path.open("w") as file:
        write_wrong_case(verdict, file)
    checked = check_dump(path)
    assert checked.agree
    assert checked.instructions >= 1

    from vcdvcd import VCDVCD

    dump = VCDVCD(str(path), store_tvs=True)
    values, times = {}, {}
    for signal_name in dump.signals:
        if signal_name.startswith("emulator."):
            key = signal_name.partition(".")[2].partition("[")[0]
            values[key] = [int(value, 2) for _, value in dump[signal_name].tv]
            times[key] = [time_ for time_, _ in dump[signal_name].tv]
    before, after = plain(verdict.first.case), plain(verdict.first.actual)
    assert set(values) == {"pc", "a", "x", "y", "sp", "p", *"nvdizc"}
    for register in ("pc", "a", "x", "y", "sp", "p"):
        assert values[register][0] == before[register]
        assert values[register][-1] == after[register]
    for flag, bit in (("n", 7), ("v", 6), ("d", 3), ("i", 2), ("z", 1), ("c", 0)):
        assert values[flag][-1] == int(verdict.first.actual["p"]) >> bit & 1
    ends = int(verdict.first.expected["cycles"]) * 1000
    assert times["a"] == [0, ends]


# Cases


def test_the_quick_cases_are_as_many_as_is_said_and_lie_in_a_memory() -> None:
    count = 0
    for name, forms in forms_named().items():
        for cases in batches(forms, "quick", 0, "nmos"):
            assert possible(cases).all()
            assert not (cases["read_value"][:, 0] == 0).any() or name in ("BRK", *EVENTS)
            if name not in EVENTS:
                assert {instruction_of(case) for case in cases[:5]} == {name}
            count += len(cases)
    assert count == count_cases("quick") == 174_320


def test_what_no_memory_can_hold_is_left_out() -> None:
    def case(*reads: tuple[int, int], **fields: int) -> Cases:
        made = np.zeros(1, CASE)
        made["reads"] = len(reads)
        for i, (address, value) in enumerate(reads):
            made["read_address"][0, i], made["read_value"][0, i] = address, value
        for name, value in fields.items():
            made[name] = value
        return made

    def load(address: int, value: int) -> list[tuple[int, int]]:
        return [(0x0200, 0xAD), (0x0201, address & 0xFF), (0x0202, address >> 8), (address, value)]

    def call(sp: int) -> Cases:
        return case((0x0140, 0x20), (0x0141, 0x12), (0x0142, 0x34), pc=0x0140, sp=sp)

    def enter(low: int) -> Cases:
        return case((0xFFFE, 0x00), (0xFFFE, low), (0xFFFF, 0x12), pc=0xFFFE)

    told = [
        (case(*load(0x0201, 0x01), pc=0x0200), True),
        (case(*load(0x0201, 0x02), pc=0x0200), False),
        (case(*load(0x0203, 0x02), pc=0x0200), True),
        (case(*load(0x0200, 0xAD), pc=0x0200), True),
        (case(*load(0x0202, 0x01), pc=0x0200), False),
        # A store reads nothing there.
        (case((0x0200, 0x8D), (0x0201, 0x01), (0x0202, 0x02), pc=0x0200), True),
        (case((0x0110, 0x68), (0x0110, 0x68), pc=0x0110, sp=0x0F), True),
        (case((0x0110, 0x68), (0x0110, 0x69), pc=0x0110, sp=0x0F), False),
        (case((0x0110, 0x48), pc=0x0110, sp=0x0F), True),
        (call(0x41), True),
        (call(0x42), False),
        (call(0x43), False),
        (call(0x44), True),
        (enter(0x00), True),
        (enter(0x01), False),
    ]
    cases = np.concatenate([one for one, _ in told])
    assert possible(cases).tolist() == [answer for _, answer in told]
    assert len(told) == 15


def test_sampled_cases_are_possible() -> None:
    cases = sampled_cases(50_000, seed=3)
    assert possible(cases).all()


# A trace's memory


def test_memory_that_contradicts_itself_is_a_disagreement(command: Command) -> None:
    rows = ["0200,A5 D0 40,00,30", "0202,A5 D0 41,40,30", "0204,EA,41,30"]
    text = "".join(f"{row[:-2]}00,00,FF,{row[-2:]}\n" for row in rows)
    Path("run.csv").write_text(f"pc,read_value,a,x,y,sp,p\n{text}")
    status, out, err = command("--trace", "run.csv", "--hex")
    assert (status, err) == (1, "")
    for line in (
        "Memory disagrees: 1 of 1 bytes read are not what was there before. Rows counted from 0:",
        "  row 1 read 41 at 00D0, row 0 read 40 there",
        "The first row that read another byte: run.csv, line 3.",
    ):
        assert line in out.splitlines()
    status, out, _ = command("--trace", "run.csv", "--hex", "--json")
    told = json.loads(out)
    assert (status, told["agree"], told["mismatches"], told["memory"]["wrong"]) == (1, False, 0, 1)
    status, out, _ = command("--trace", "run.csv", "--hex", "--devices", "C000-CFFF,D0-d0")
    assert status == 0
    assert "Memory: no byte was read where it was known what was there." in out.splitlines()


# What cannot be used


ONE_OF = "give one of --library, --python, --pipe, --trace and --serial"


@pytest.mark.parametrize(
    ("arguments", "message"),
    [
        ([], ONE_OF),
        (["--library", "a.so", "--pipe", "b"], ONE_OF),
        (["--pipe", "b", "--arrays"], "--arrays goes with --python"),
        (["--library", "a.so"], "a.so: no such file"),
        (["--library", ""], ": no such file"),
        (["--pipe", ""], "an empty command"),
        (["--pipe", "cat", "--skip", "q"], "Invalid value for '--skip': field 'q': expected one of "
         f"p, {', '.join(FIELDS)}"),
        (["--pipe", "cat", "--skip", ",".join(FIELDS)],
         "Invalid value for '--skip': no field is left to compare"),
        (["--pipe", "cat", "--timeout", "0"],
         "Invalid value for '--timeout': 0.0 is not in the range 0<x<=1000000."),
        (["--pipe", "cat", "--devices", "D000-DFFF"],
         "--column, --hex, --devices and --scheduler go with --trace"),
        (["--trace", "run.csv", "--devices", "D000-DFFF,DFFF-D000"], "Invalid value for "
         "'--devices': 'DFFF-D000': expected two addresses in hex, as in D000-DFFF"),
        (["--trace", "run.csv", "--devices", "53248"], "Invalid value for "
         "'--devices': '53248': expected two addresses in hex, as in D000-DFFF"),
        (["--pipe", "cat", "ADD"], "Invalid value for '[NAME]...': 'ADD' is not a documented "
         "mnemonic; did you mean AND or ADC?"),
        (["--pipe", "cat", "--variant", "tmos"],
         "Invalid value for '--variant': 'tmos' is not one of 'nmos', 'cmos', 'binary'."),
    ],
)  # fmt: skip
def test_bad_input_is_refused(command: Command, arguments: list[str], message: str) -> None:
    assert command(*arguments) == (2, "", f"carrywave: {message}\n")


def test_a_crash_ends_with_the_case_in_hand(command: Command) -> None:
    case = quick_cases(BY_OPCODE[0x65])[3]
    Path("mine.py").write_text(
        "import os\n\ndef execute(case):\n"
        f"    if case.reads[0] == ({case['pc']}, 0x65):\n        os.abort()\n"
        "    return dict(pc=0, a=0, x=0, y=0, sp=0, p=0)\n"
    )
    status, out, err = command("--python", "mine.py:execute")
    assert (status, out) == (2, "")
    number = len(quick_cases(BY_OPCODE[0x69])) + 3  # which is put first
    (_, code), (_, low), (address, operand) = plain(case)["reads"]
    registers = " ".join(f"{name}={case[name]:02X}" for name in ("a", "x", "y", "sp", "p"))
    assert err.splitlines() == [
        f"carrywave: mine.py:execute: case {number:,}: crashed with SIGABRT",
        f"  ADC {code:02X} {low:02X} at {case['pc']:04X}; operand {operand:02X} at {address:04X}",
        f"  {registers}",
        f"  {json.dumps(plain(case), separators=(',', ':'))}",
    ]


def test_a_waveform_that_cannot_be_written_is_refused(
    command: Command, mistaken: Callable[..., list[str]]
) -> None:
    status, out, err = command(*mistaken(1), "ADC", "--vcd", "no/where.vcd")
    assert (status, out) == (2, "")
    assert err == "carrywave: no/where.vcd: No such file or directory\n"


def test_the_header_is_printed(carrywave: Command) -> None:
    assert carrywave("header") == (0, header(), "")


def test_unknown_names_and_fields_are_refused_in_python_too() -> None:
    with pytest.raises(
        ValueError, match=r"^instruction 'XYZ': expected a mnemonic, an opcode in hex, IRQ"
    ):
        judge(Model(), names=["XYZ"])
    with pytest.raises(ValueError, match=r"^no field is left to compare$"):
        judge(Model(), skip=FIELDS)


# Ends


def alive(pid: int) -> bool:
    try:
        return Path(f"/proc/{pid}/stat").read_text().rpartition(")")[2].split()[0] != "Z"
    except OSError:
        return False


@pytest.mark.parametrize(
    ("how", "form"),
    first_of([
        (signal.SIGKILL, "--python"),
        (signal.SIGTERM, "--pipe"),
        (signal.SIGKILL, "--pipe"),
        (signal.SIGINT, "--python"),
    ], 2),
)  # fmt: skip
@pytest.mark.skipif(not Path("/proc/self/stat").exists(), reason="no /proc here")
def test_no_process_outlives_the_bench(tmp_path: Path, how: signal.Signals, form: str) -> None:
    (tmp_path / "mine.py").write_text(
        "import os, time\n\ndef execute(case):\n"
        "    with open('pids', 'w') as file:\n"
        "        file.write(f'{os.getpid()} {os.getppid()}\\n')\n"
        "    time.sleep(600)\n\n"
        "if __name__ == '__main__':\n    execute(input())\n"
    )
    target = "mine.py:execute" if form == "--python" else f"{sys.executable} mine.py"
    code = "from carrywave.sim.cli.main import main; main()"
    bench = subprocess.Popen(
        [sys.executable, "-c", code, "compare", form, target, "--timeout", "500"],
        cwd=tmp_path, stdout=subprocess.PIPE, stderr=subprocess.PIPE,
    )  # fmt: skip
    pids, deadline = tmp_path / "pids", time.monotonic() + 120
    while not (pids.exists() and pids.read_text().endswith("\n")):
        assert time.monotonic() < deadline
        time.sleep(0.02)
    started = [int(pid) for pid in pids.read_text().split()]
    started = [pid for pid in started if pid != bench.pid]
    assert len(started) == 2  # the supervisor, and what it started
    assert all(map(alive, started))
    os.kill(bench.pid, how)
    bench.communicate(timeout=120)
    told = {signal.SIGKILL: -9, signal.SIGTERM: 143, signal.SIGINT: 130}
    assert bench.returncode == told[how]
    deadline = time.monotonic() + 120
    while any(map(alive, started)):
        assert time.monotonic() < deadline
        time.sleep(0.02)


def test_adapters_are_what_the_command_line_says(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setenv("PYTHONDONTWRITEBYTECODE", "1")
    with PythonFunction(f"{EXAMPLES}/arrays.py:execute", arrays=True) as emulator:
        assert emulator.option == f"--python {EXAMPLES}/arrays.py:execute --arrays"
        assert judge(emulator, names=["TAX"]).agree


def test_opcodes_are_names_too(compare: Callable[..., tuple[int, Any]]) -> None:
    """As a new emulator needs it, which has not every addressing mode yet."""
    option = f"{EXAMPLES}/wrong.py:execute"
    status, found = compare("--python", option, "69", "0a")
    assert status == 1
    assert set(found["instructions"]) == {"ADC", "ASL"}
    (adc,) = forms_named(["69"])["ADC"]
    assert found["instructions"]["ADC"]["cases"] == len(quick_cases(adc))
    status, every = compare("--python", option, "ADC", "69")
    assert every["cases"] == count_cases("quick", ["ADC"])
