"""Emulators as libraries, Python functions and pipes: right ones, and all the ways to go wrong."""

from __future__ import annotations

import json
import os
import re
import shutil
import subprocess
import sys
import tempfile
import time
from collections import Counter
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from shipped import EXAMPLES, needs_compiler
from usual import USUAL, first_of

from carrywave.sim.cases.kinds import lay_reads, symbols_of
from carrywave.sim.cases.layout import CASE, OUTCOME, Cases, Outcomes, plain
from carrywave.sim.cases.sampled import sampled_cases
from carrywave.sim.emulator import child
from carrywave.sim.emulator import pipe as pipe_module
from carrywave.sim.emulator.c_header import header
from carrywave.sim.emulator.called import Emulator, EmulatorError, Library, PythonFunction
from carrywave.sim.emulator.own_run import PIN, START
from carrywave.sim.emulator.pipe import Pipe
from carrywave.sim.family.instructions import BY_MNEMONIC
from carrywave.sim.family.members import VARIANTS
from carrywave.sim.witness.comparison import Comparison, compare
from carrywave.sim.witness.evened import evened
from carrywave.sim.witness.model import Model

CASES = sampled_cases(3000, seed=4)
AT = 1234  # the case in which something happens
PATIENCE = 60  # seconds for what will happen, on a slow and busy machine too

needs_node = pytest.mark.skipif(shutil.which("node") is None, reason="no node here")


def children() -> set[str]:
    """The processes that this one has started and that are still there."""
    found = set()
    for stat in Path("/proc").glob("[0-9]*/stat"):
        try:
            fields = stat.read_text().rpartition(")")[2].split()
        except OSError:
            continue
        if int(fields[1]) == os.getpid():
            found.add(stat.parent.name)
    return found


def alive(pid: int) -> bool:
    """Whether a process is there and running; one that nobody has asked after has ended too."""
    try:
        return Path(f"/proc/{pid}/stat").read_text().rpartition(")")[2].split()[0] != "Z"
    except OSError:
        return False


def patience(message: str | None) -> float:
    """Seconds to wait for an answer: few only where there will be none, but enough to start."""
    return 1 if message and "no answer within 1 s" in message else PATIENCE


@pytest.fixture
def unhurried(monkeypatch: pytest.MonkeyPatch) -> None:
    """Whoever ends by itself may take its time."""
    for module in (child, pipe_module):
        monkeypatch.setattr(module, "POLITE", PATIENCE)


@pytest.fixture(autouse=True)
def nothing_left_behind(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Iterator[None]:
    """Each test begins in its own folder, and ends without a process or a temporary file."""
    folder = tmp_path / "temporary"
    folder.mkdir()
    monkeypatch.setattr(tempfile, "tempdir", str(folder))
    monkeypatch.chdir(tmp_path)
    before = children()
    yield
    assert children() == before
    assert list(folder.iterdir()) == []


def build(source: str, *options: str, name: str = "emulator.so") -> str:
    """Compiles one file of C in the present folder."""
    Path("carrywave.h").write_text(header())
    Path("emulator.c").write_text(source)
    command = ["cc", "-O1", "-shared", "-fPIC", "-I.", *options, "emulator.c", "-o", name]
    subprocess.run(command, check=True)
    return f"./{name}"


@pytest.fixture
def example(tmp_path: Path) -> Callable[[str, str], Emulator]:
    """Starts a ready example of a variant."""

    def start(
        form: str, variant: str = "nmos", changes: dict[str, tuple[str, str]] | None = None
    ) -> Emulator:
        copy = shutil.copytree(EXAMPLES, tmp_path / "examples")
        named = ('VARIANT = "nmos"', f'VARIANT = "{variant}"')
        every = [("emulator.py", named), ("emulator.js", named), *(changes or {}).items()]
        for name, (old, new) in every:
            text = (copy / name).read_text()
            assert text.count(old) == 1
            (copy / name).write_text(text.replace(old, new))
        if form == "library":
            (copy / "carrywave.h").write_text(header())
            options = ["-Wall", "-Wextra", "-Werror", "-std=c11", f"-DVARIANT={variant.upper()}"]
            sources = [copy / "adapter.c", copy / "emulator.c"]
            out = copy / "emulator.so"
            command = ["cc", "-O2", "-shared", "-fPIC", *options, *sources, "-o", out]
            subprocess.run(command, check=True)
            return Library(out)
        if form == "pipe":
            return Pipe(["node", str(copy / "adapter.js")])
        name = {"scalar": "adapter", "arrays": "arrays"}[form]
        return PythonFunction(f"{copy / name}.py:execute", form == "arrays")

    return start


FORMS = [
    pytest.param("library", marks=needs_compiler),
    "scalar",
    "arrays",
    pytest.param("pipe", marks=needs_node),
]


@pytest.mark.parametrize("variant", USUAL)
@pytest.mark.parametrize("form", FORMS)
def test_the_ready_examples_are_right(
    example: Callable[..., Emulator], form: str, variant: str
) -> None:
    count = 20_000 if form in ("library", "arrays") else 4_000
    cases = sampled_cases(count, seed=VARIANTS.index(variant), variant=variant)
    with example(form, variant) as emulator:
        outcomes = emulator.execute(cases)
    right = Model(variant).execute(cases)
    comparison = Comparison.of(cases, right, evened(cases, right, outcomes, variant))
    assert comparison.agree
    assert (comparison.cases, comparison.uncounted) == (count, 0)
    assert len(comparison.instructions) == 59


@pytest.mark.parametrize("form", FORMS)
def test_cases_of_any_shape_and_number_are_answered(
    example: Callable[..., Emulator], form: str
) -> None:
    right = Model().execute(CASES)
    with example(form) as emulator:
        assert emulator.execute(CASES[:0]).shape == (0,)
        alone = emulator.execute(CASES[7])
        assert alone.shape == ()
        square = emulator.execute(CASES[:600].reshape(20, 30))
        assert square.shape == (20, 30)
        third = emulator.execute(CASES[::3])
    parts = ((slice(7, 8), alone), (slice(600), square), (slice(None, None, 3), third))
    for part, outcomes in parts:
        cases, expected = CASES[part], right[part]
        given = evened(cases, expected, outcomes.reshape(-1), "nmos")
        assert Comparison.of(cases, expected, given).agree


@needs_compiler
def test_more_cases_than_one_call_takes_keep_their_order(
    example: Callable[..., Emulator],
) -> None:
    cases = sampled_cases(150_000, seed=9)
    with example("library") as emulator:
        outcomes = emulator.execute(cases)
    right = Model().execute(cases)
    assert Comparison.of(cases, right, evened(cases, right, outcomes, "nmos")).agree


def test_a_closed_emulator_says_so(example: Callable[..., Emulator]) -> None:
    emulator = example("scalar")
    emulator.close()
    emulator.close()
    with pytest.raises(ValueError, match=r"adapter\.py:execute: closed$"):
        emulator.execute(CASES)


@pytest.mark.parametrize("name", ["adapter.c", "adapter.py", "adapter.js"])
def test_an_adapter_is_short_and_knows_no_instruction(name: str) -> None:
    text = (EXAMPLES / name).read_text()
    text = re.sub(r'"""[^"]*"""|/\*.*?\*/|^ *(#(?!include)|//).*?$', "", text, flags=re.S | re.M)
    lines = [line for line in text.splitlines() if line.strip()]
    assert 15 < len(lines) <= 25
    assert not re.search(
        r"(?i)0xFFF[A-F]|0x0?100\b|opcode|vector|(?<![.])push|pull|stack|length", text
    )


# A stack that leaves its page between the two bytes of a word: by file, old text and new

LEAVES_ITS_PAGE = {
    "emulator.c": (
        "    uint8_t low = pull(cpu);\n    return low | pull(cpu) << 8;",
        "    uint16_t at = 0x100 + (uint8_t)(cpu->sp + 1);\n    cpu->sp += 2;\n"
        "    return bus_read(at) | bus_read(at + 1) << 8;",
    ),
    "emulator.py": (
        "        return self.pull() | self.pull() << 8",
        "        at = 0x100 | (self.sp + 1) & 0xFF\n        self.sp = (self.sp + 2) & 0xFF\n"
        "        return self.read(at) | self.read(at + 1) << 8",
    ),
}
CLEARS_NOTHING = {
    "adapter.c": ("memory[c->read_address[i]] = 0;", ";"),
    "adapter.py": ("        memory[address] = 0", "        pass"),
}


def cases_of(mnemonic: str, sp: int, **columns: int) -> Cases:
    """Some cases of an instruction in its longest mode, with bytes that it reads."""
    form = max(BY_MNEMONIC[mnemonic].values(), key=lambda form: form.length)
    cases = sampled_cases(200, 6, [form], ["instruction"])
    cases["sp"] = sp
    lay_reads(cases, form, {**symbols_of(cases, form), **columns}, "nmos")
    return cases


@pytest.mark.parametrize("clears", [True, False])
@pytest.mark.parametrize("suffix", [pytest.param("c", marks=needs_compiler), "py"])
def test_a_byte_pulled_from_beyond_the_page_is_0_where_the_adapter_clears(
    example: Callable[..., Emulator], suffix: str, clears: bool
) -> None:
    """The high byte lies at 0100. Read at 0200, it is what was loaded there in the case before."""
    changes = {f"emulator.{suffix}": LEAVES_ITS_PAGE[f"emulator.{suffix}"]}
    if not clears:
        changes[f"adapter.{suffix}"] = CLEARS_NOTHING[f"adapter.{suffix}"]
    loads = cases_of("LDA", 0x80, **{"address.low": 0x00, "address.high": 0x02, "m": 0x5A})
    seen = 0
    with example("library" if suffix == "c" else "scalar", changes=changes) as emulator:
        for mnemonic, sp, more in (("RTS", 0xFE, 1), ("RTI", 0xFD, 0)):
            pulls = cases_of(mnemonic, sp)
            assert (pulls["read_address"][np.arange(200), pulls["reads"] - 1] == 0x0100).all()
            cases = np.stack([loads, pulls], axis=1).reshape(-1)
            right, outcomes = Model().execute(cases), emulator.execute(cases)
            low = pulls["read_value"][np.arange(200), pulls["reads"] - 2].astype(np.uint16)
            assert (outcomes["pc"][1::2] == (low | (0 if clears else 0x5A00)) + more).all()
            share = Comparison.of(cases, right, outcomes).instructions
            assert share["LDA"].mismatches == 0
            assert share[mnemonic].fields == {"pc": share[mnemonic].mismatches}
            seen += share[mnemonic].mismatches
    assert seen > 390


# The header


@needs_compiler
@pytest.mark.parametrize("language", ["-xc -std=c99", "-xc -std=c11", "-xc++ -std=c++11"])
def test_the_header_is_accepted_as(language: str) -> None:
    if "c++" in language and shutil.which("c++") is None:
        pytest.skip("no C++ compiler here")
    Path("carrywave.h").write_text(header())
    compiler = "c++" if "c++" in language else "cc"
    strict = ["-Wall", "-Wextra", "-Wpedantic", "-Werror", "-fsyntax-only"]
    subprocess.run([compiler, *language.split(), *strict, "carrywave.h"], check=True)


@needs_compiler
def test_a_header_that_does_not_fit_is_refused_by_the_compiler() -> None:
    text = header()
    assert text.count("uint8_t reads;") == 1
    Path("carrywave.h").write_text(text.replace("uint8_t reads;", "uint16_t reads;"))
    done = subprocess.run(["cc", "-std=c11", "-fsyntax-only", "carrywave.h"], capture_output=True)
    assert done.returncode != 0
    assert b"assert" in done.stderr


def test_the_header_has_every_field_in_order() -> None:
    structs = re.findall(r"struct carrywave_(\w+) \{(.*?)\};", header(), re.S)
    seen = {kind: re.findall(r"uint(\d+)_t (\w+)(?:\[(\d)\])?;", body) for kind, body in structs}
    kinds = {"case": CASE, "outcome": OUTCOME, "start": START, "pin": PIN}
    for kind, dtype in kinds.items():
        wanted = []
        for name in dtype.names or ():
            base, shape = dtype[name].subdtype or (dtype[name], ())
            wanted.append((str(8 * base.itemsize), name, str(shape[0]) if shape else ""))
        assert seen[kind] == wanted
    assert seen["row"] == [("64", "clock", ""), ("8", "event", "")]  # and the outcome
    assert structs[-1][1].rstrip().endswith("struct carrywave_outcome after;")
    assert sum(map(len, seen.values())) == 10 + 10 + 9 + 3 + 2


# Libraries

SOURCE = """
#include <stdio.h>
#include <stdlib.h>
#include <unistd.h>
#include "carrywave.h"
void carrywave_execute(const struct carrywave_case *cases, struct carrywave_outcome *outcomes,
                       size_t count) {
    for (size_t i = 0; i < count; i++) {
        if (cases[i].pc == PC && cases[i].a == A) { WHAT; }
        outcomes[i].pc = cases[i].pc;
    }
}
"""


def library(what: str, at: int = AT) -> str:
    """A library that does something in one case."""
    case = CASES[at]
    assert np.count_nonzero((CASES["pc"] == case["pc"]) & (CASES["a"] == case["a"])) == 1
    return build(SOURCE, f"-DPC={case['pc']}", f"-DA={case['a']}", f"-DWHAT={what}")


@needs_compiler
@pytest.mark.parametrize(
    ("what", "message"),
    first_of(
        [
            ("*(volatile int *)0 = 1", "crashed with SIGSEGV"),
            ("exit(3)", "ended with exit status 3"),
            ("for (;;) sleep(9)", "no answer within 1 s"),
            ("abort()", "crashed with SIGABRT"),
            ("_exit(0)", "ended with exit status 0"),
        ],
        3,
    ),
)
@pytest.mark.usefixtures("unhurried")
def test_a_library_that_ends_names_the_case(what: str, message: str) -> None:
    with Library(library(what), timeout=patience(message)) as emulator:
        assert len(emulator.execute(CASES[:AT])) == AT
        with pytest.raises(EmulatorError) as caught:
            emulator.execute(CASES[AT - 34 :])
    assert str(caught.value) == f"./emulator.so: case 1,268: {message}"
    assert caught.value.case is not None
    assert plain(caught.value.case) == plain(CASES[AT])


@needs_compiler
@pytest.mark.usefixtures("unhurried")
def test_a_library_that_dies_of_many_cases_only_names_them() -> None:
    path = library("if (count > 1) abort()", at=0)
    with Library(path) as emulator, pytest.raises(EmulatorError) as caught:
        emulator.execute(CASES)
    assert str(caught.value) == (
        "./emulator.so: crashed with SIGABRT, in a call with cases 0 to 255; "
        "in calls with one of them each it answers them all"
    )
    assert caught.value.case is None


@pytest.mark.exhaustive
@needs_compiler
def test_a_slow_library_is_not_taken_for_a_silent_one() -> None:
    """At least 1 ms a case: 3000 in one call would take longer than it may."""
    source = SOURCE.replace("outcomes[i].pc", "usleep(1000); outcomes[i].pc")
    path = build(source, "-DPC=0", "-DA=0", "-DWHAT=", "-D_DEFAULT_SOURCE")
    with Library(path, timeout=2.5) as emulator:
        outcomes = emulator.execute(CASES)
        assert emulator._rows < 3000
    assert (outcomes["pc"] == CASES["pc"]).all()


@needs_compiler
def test_what_a_library_prints_goes_to_standard_error(capfd: pytest.CaptureFixture[str]) -> None:
    with Library(library('puts("at your service")')) as emulator:
        outcomes = emulator.execute(CASES)
    assert (outcomes["pc"] == CASES["pc"]).all()
    printed = capfd.readouterr()
    assert (printed.out, printed.err) == ("", "at your service\n")


@needs_compiler
def test_a_library_without_the_function_is_refused() -> None:
    path = build("int other(void) { return 0; }")
    with pytest.raises(EmulatorError) as caught:
        Library(path)
    assert str(caught.value) == (
        "./emulator.so: has no function carrywave_execute: include the header that "
        "'carrywave header' prints"
    )


@needs_compiler
@pytest.mark.parametrize(
    ("what", "message"),
    [
        ("abort();", "crashed with SIGABRT while it was loaded"),
        ("for (;;) sleep(9);", "no answer within 1 s while it was loaded"),
    ],
)
@pytest.mark.usefixtures("unhurried")
def test_a_library_that_ends_on_loading_says_so(
    monkeypatch: pytest.MonkeyPatch, what: str, message: str
) -> None:
    monkeypatch.setattr(child, "LOADING", patience(message))
    path = build(
        "#include <stdlib.h>\n#include <unistd.h>\n"
        f"__attribute__((constructor)) static void begin(void) {{ {what} }}"
    )
    with pytest.raises(EmulatorError) as caught:
        Library(path, timeout=0.5)
    assert str(caught.value) == f"./emulator.so: {message}"


@pytest.mark.parametrize(
    ("content", "message"),
    [
        (b"no library, but a text that is long enough" * 9, "invalid ELF header"),
        (b"", "file too short"),
        (b"\x7fELF\x01\x01\x01" + bytes(100), "wrong ELF class: ELFCLASS32"),
    ],
)
@pytest.mark.skipif(sys.platform != "linux", reason="the words are those of Linux")
def test_what_is_no_library_is_refused(content: bytes, message: str) -> None:
    Path("mine.so").write_bytes(content)
    with pytest.raises(EmulatorError) as caught:
        Library("mine.so")
    assert str(caught.value) == f"mine.so: cannot be loaded: {message}"


def test_a_library_that_is_not_there_is_refused() -> None:
    with pytest.raises(EmulatorError, match=r"^mine\.so: no such file$"):
        Library("mine.so")


# Python functions

RIGHT = "dict(pc=case.pc, a=case.a, x=case.x, y=case.y, sp=case.sp, p=case.p)"


def python(body: str, arrays: bool = False, timeout: float = PATIENCE) -> PythonFunction:
    """A function `execute(case)` in a file of the present folder."""
    Path("mine.py").write_text(f"import os, sys\n\ndef execute(case):\n    {body}\n")
    return PythonFunction("mine.py:execute", arrays, timeout)


def test_a_function_sees_a_case_by_its_attributes() -> None:
    names = ("event", "pc", "a", "x", "y", "sp", "p", "reads")
    seen = "[" + ", ".join(f"case.{name}" for name in names) + "]"
    with python(f"print({seen}, file=open('seen', 'a')); return {RIGHT}") as emulator:
        emulator.execute(CASES[:40])
    lines = Path("seen").read_text().splitlines()
    wanted = []
    for case in CASES[:40]:
        fields = {**plain(case), "reads": tuple(tuple(pair) for pair in plain(case)["reads"])}
        wanted.append(str([fields[name] for name in names]))
    assert lines == wanted
    assert {len(plain(case)["reads"]) for case in CASES} == {1, 2, 3, 4, 5}


@pytest.mark.parametrize(
    ("extra", "seen"),
    [
        ("", {}),
        ("writes=[(3, 1), [4, 2]]", {"writes": [[3, 1], [4, 2]]}),
        ("writes=((65535, 9),)", {"writes": [[65535, 9]]}),
        ("writes=[], cycles=3", {"cycles": 3}),
        ("writes=None, cycles=None", {}),
        ("cycles=7, note='more is passed over'", {"cycles": 7}),
    ],
)
@pytest.mark.parametrize("kind", ["dict", "types.SimpleNamespace"])
def test_what_an_outcome_leaves_out_is_nothing(extra: str, seen: dict[str, Any], kind: str) -> None:
    made = RIGHT.replace("dict(", f"{kind}(")[:-1]
    with python(f"import types; return {made}, {extra})") as emulator:
        (outcome,) = emulator.execute(CASES[:1])
        assert emulator.outside == {}
    wanted = {name: int(CASES[0][name]) for name in ("pc", "a", "x", "y", "sp", "p")}
    assert plain(outcome) == {**wanted, "cycles": 0, "writes": [], **seen}


#: What an answer has instead, the fields that this makes wrong, in words, and what is kept of it.
OUTSIDE = [
    ({"x": 256}, {"x": "x is 256: expected 0 to 255"}, {"x": 0}),
    ({"sp": -3}, {"sp": "sp is -3: expected 0 to 255"}, {"sp": 0xFD}),
    ({"pc": -1}, {"pc": "pc is -1: expected 0 to 65535"}, {"pc": 0xFFFF}),
    ({"a": 1.0}, {"a": "a is 1.0: expected a whole number"}, {"a": 0}),
    ({"cycles": "2"}, {"cycles": "cycles is '2': expected a whole number"}, {"cycles": 0}),
    (
        {"p": 0x1FF, "cycles": 300},
        {"p": "p is 511: expected 0 to 255", "cycles": "cycles is 300: expected 0 to 255"},
        {"p": 0xFF, "cycles": 44},
    ),
    (
        {"writes": [[1, 2], [65536, 3]]},
        {"write_address": "the address of write 2 is 65536: expected 0 to 65535"},
        {"writes": [[1, 2], [0, 3]]},
    ),
    (
        {"writes": [[1, 256], [2, -1]]},
        {"write_value": "the byte of write 1 is 256: expected 0 to 255"},
        {"writes": [[1, 0], [2, 255]]},
    ),
    (
        {"writes": [[1, 2], [3, 4], [5, 6], [7, 8]]},
        {"writes": "there are 4 writes: expected at most 3"},
        {"writes": [[1, 2], [3, 4], [5, 6]]},
    ),
]


@pytest.mark.parametrize(("answer", "words", "kept"), first_of(OUTSIDE, 5))
@pytest.mark.parametrize("form", ["scalar", "pipe"])
def test_a_value_outside_its_range_counts_as_wrong_and_the_rest_goes_on(
    form: str, answer: dict[str, Any], words: dict[str, str], kept: dict[str, Any]
) -> None:
    case = CASES[AT]
    if form == "scalar":
        guard = f"if case.pc == {case['pc']} and case.a == {case['a']}:\n        "
        emulator: Emulator = python(f"{guard}return {{**{RIGHT}, **{answer}}}\n    return {RIGHT}")
    else:
        emulator = peer(f"answer = json.dumps({{**outcome, **{answer}}})")
    with emulator:
        before = emulator.execute(CASES[:7])
        assert emulator.outside == {}
        outcomes = emulator.execute(CASES[len(before) :] if form == "pipe" else CASES)
        place = AT - len(before) if form == "pipe" else AT
        assert emulator.outside == {place: words}
        emulator.execute(CASES[:7])
        assert emulator.outside == {}
    assert len(outcomes) + len(before) * (form == "pipe") == len(CASES)
    left = plain(outcomes[place])
    assert {name: left[name] for name in kept} == kept
    assert (outcomes["pc"][place + 1 :] == CASES["pc"][AT + 1 :]).all()


def test_compare_counts_what_is_outside_in_each_batch() -> None:
    class Echo:
        def execute(self, cases: Cases) -> Outcomes:
            outcomes = np.zeros(len(cases), OUTCOME)
            for name in ("pc", "a", "x", "y", "sp", "p"):
                outcomes[name] = cases[name]
            return outcomes

    odd = f"{{**{RIGHT}, 'x': case.x + 256 * (case.a < 128), 'p': case.p - 256 * (case.a > 250)}}"
    cases = CASES[:900]
    with python(f"return {odd}") as emulator:
        found = compare(Echo(), emulator, cases, batch=100)
        skipped = compare(Echo(), emulator, cases, skip=["x", "p"])
    low, high = np.count_nonzero(cases["a"] < 128), np.count_nonzero(cases["a"] > 250)
    assert low > 300
    assert high > 5
    assert found.mismatches == low + high
    fields: Counter[str] = Counter()
    for share in found.instructions.values():
        fields.update(share.fields)
    assert fields == {"x": low, **dict.fromkeys([f"p.{flag}" for flag in "nvdizc"], high)}
    assert found.first is not None
    first = cases[found.first.index]
    assert found.first.outside in (
        {"x": f"x is {int(first['x']) + 256}: expected 0 to 255"},
        {"p": f"p is {int(first['p']) - 256}: expected 0 to 255"},
    )
    assert skipped.agree
    assert skipped.cases == 900


@pytest.mark.parametrize(
    ("body", "message"),
    [
        ("raise KeyError('no such opcode')", "KeyError: 'no such opcode' (mine.py, line 5)"),
        ("return [].pop()", "IndexError: pop from empty list (mine.py, line 5)"),
        ("os.fspath(0)", "TypeError: expected str, bytes or os.PathLike object, not int "
                         "(mine.py, line 5)"),
        ("sys.exit(3)", "called sys.exit(3) (mine.py, line 5)"),
        ("os._exit(4)", "ended with exit status 4"),
        ("os.abort()", "crashed with SIGABRT"),
        ("import time; time.sleep(9)", "no answer within 1 s"),
        ("pass", "returned None: expected an outcome with pc, a, x, y, sp, p"),
        ("return 'fine'", "returned 'fine': expected an outcome with pc, a, x, y, sp, p"),
        ("return list(range(100))", None),
        ("return dict(pc=1, a=2, x=3, y=4, p=5)", "the outcome has no sp"),
        ("return dict(pc=1, a=2, x=None, y=4, sp=256, p=5)", "the outcome has no x"),
        *(
            (f"return {{**{RIGHT}, 'writes': {writes}}}",
             f"writes is {writes}: expected a list of [address, byte] pairs")
            for writes in ("1", "'ab'", "[5]", "[[1, 2, 3]]", "{16: 5}", "[(1, 2), None]")
        ),
    ],
)  # fmt: skip
@pytest.mark.usefixtures("unhurried")
def test_a_function_that_goes_wrong_names_the_case(body: str, message: str | None) -> None:
    case = CASES[AT]
    guard = f"if case.pc == {case['pc']} and case.a == {case['a']}:\n        {body}\n"
    guard += "        return\n" * (body == "pass") + f"    return {RIGHT}"
    emulator = python(guard, timeout=patience(message))
    with emulator, pytest.raises(EmulatorError) as caught:
        emulator.execute(CASES)
    if message is None:
        message = str(caught.value).partition("1,234: ")[2]
        assert message.startswith("returned [0, 1, ")
        assert message.endswith("...: expected an outcome with pc, a, x, y, sp, p")
        assert len(message) < 120
    assert str(caught.value) == f"mine.py:execute: case 1,234: {message}"
    assert caught.value.case is not None
    assert plain(caught.value.case) == plain(case)


@pytest.mark.parametrize(
    ("body", "message"),
    [
        ("raise ValueError('odd')", "ValueError: odd (mine.py, line 5)"),
        ("sys.exit()", "called sys.exit() (mine.py, line 5)"),
        ("os._exit(5)", "ended with exit status 5"),
        ("__import__('time').sleep(600)", "no answer within 1 s"),
        ("return None", "returned NoneType: expected an array of the OUTCOME dtype"),
        ("return case", None),
    ],
)
@pytest.mark.usefixtures("unhurried")
def test_a_function_of_arrays_that_goes_wrong_names_the_case(
    body: str, message: str | None
) -> None:
    case = CASES[AT]
    wrong = f"(case['pc'] == {case['pc']}) & (case['a'] == {case['a']})"
    guard = (
        f"if ({wrong}).any():\n        {body}\n"
        "    from carrywave.sim import OUTCOME\n    import numpy as np\n"
        "    return np.zeros(len(case), OUTCOME)"
    )
    with python(guard, True, patience(message)) as emulator, pytest.raises(EmulatorError) as caught:
        emulator.execute(CASES)
    start = "mine.py:execute: case 1,234: "
    if message is None:
        assert str(caught.value).startswith(f"{start}returned dtype([")
        assert str(caught.value).endswith("...: expected an array of the OUTCOME dtype")
    else:
        assert str(caught.value) == start + message
    assert caught.value.case is not None
    assert plain(caught.value.case) == plain(case)


def test_a_function_of_arrays_that_answers_too_few_says_so() -> None:
    body = (
        "from carrywave.sim import OUTCOME\n    import numpy as np\n"
        "    return np.zeros(len(case) // 2, OUTCOME)"
    )
    with python(body, arrays=True) as emulator, pytest.raises(EmulatorError) as caught:
        emulator.execute(CASES)
    assert str(caught.value) == "mine.py:execute: case 0: returned shape (0,) for 1 cases"


def test_a_function_may_write_to_its_array() -> None:
    body = (
        "from carrywave.sim import OUTCOME\n    import numpy as np\n"
        "    case['a'] = 0\n    return np.zeros(len(case), OUTCOME)"
    )
    before = CASES.copy()
    with python(body, arrays=True) as emulator:
        assert len(emulator.execute(CASES)) == len(CASES)
    assert CASES.tobytes() == before.tobytes()


@pytest.mark.parametrize(
    ("function", "message"),
    [
        ("mine.py:nothing", "mine.py:nothing: mine.py has no nothing"),
        ("mine.py:number", "mine.py:number: number is 3: expected a function"),
        ("mine.py", "mine.py: expected module:function or path.py:function"),
        ("mine.py:", "mine.py:: expected module:function or path.py:function"),
        (":execute", ":execute: expected module:function or path.py:function"),
        ("other.py:execute", "other.py: no such file"),
        ("missing:execute", "missing:execute: cannot be loaded: ModuleNotFoundError: "
                            "No module named 'missing'"),
        ("torn.py:execute", "torn.py:execute: cannot be loaded: SyntaxError: '(' was never closed "
                            "(torn.py, line 2)"),
        ("fails.py:execute", "fails.py:execute: cannot be loaded: ZeroDivisionError: division by "
                             "zero (fails.py, line 2)"),
        ("leaves.py:execute", "leaves.py:execute: cannot be loaded: called sys.exit(1) "
                              "(leaves.py, line 2)"),
    ],
)  # fmt: skip
def test_a_function_that_cannot_be_had_is_refused(function: str, message: str) -> None:
    Path("mine.py").write_text("number = 3\n")
    Path("torn.py").write_text("\nprint(\n")
    Path("fails.py").write_text("\n1 / 0\n")
    Path("leaves.py").write_text("import sys\nsys.exit(1)\n")
    with pytest.raises(EmulatorError) as caught:
        PythonFunction(function)
    assert str(caught.value) == message


def test_modules_are_found_from_the_present_folder_and_none_of_the_benchs_own() -> None:
    Path("model.py").write_text(
        f"class Mine:\n    @staticmethod\n    def go(case): return {RIGHT}\n"
    )
    Path("mine.py").write_text("from model import Mine\n")
    for function in ("model:Mine.go", "mine:Mine.go", "mine.py:Mine.go"):
        with PythonFunction(function) as emulator:
            outcomes = emulator.execute(CASES[:10])
        assert (outcomes["pc"] == CASES["pc"][:10]).all()


def test_what_a_function_prints_goes_to_standard_error(capfd: pytest.CaptureFixture[str]) -> None:
    with python(f"print('case', case.pc); return {RIGHT}") as emulator:
        emulator.execute(CASES[:1])
    printed = capfd.readouterr()
    assert (printed.out, printed.err) == ("", f"case {CASES[0]['pc']}\n")


# Pipes

PEER = """
import json, os, sys, time
number = 0
for line in sys.stdin:
    number += 1
    case = json.loads(line)
    outcome = {name: case[name] for name in ("pc", "a", "x", "y", "sp", "p")}
    answer = json.dumps(outcome)
    if number == 1235:
        WHAT
    print(answer, flush=number % 100 == 0 or number > 1230)
"""


def peer(what: str, timeout: float = PATIENCE) -> Pipe:
    """A peer that does something in one case."""
    Path("peer.py").write_text(PEER.replace("WHAT", what))
    Path("run").write_text(f'#!/bin/sh\nexec "{sys.executable}" "$@"\n')
    Path("run").chmod(0o755)
    return Pipe("./run peer.py", timeout)


def test_a_peer_that_answers_only_what_it_must_is_understood() -> None:
    with peer("pass") as emulator:
        outcomes = emulator.execute(CASES)
        again = emulator.execute(CASES[:17])
    for name in ("pc", "a", "x", "y", "sp", "p"):
        assert (outcomes[name] == CASES[name]).all()
        assert (again[name] == CASES[name][:17]).all()
    assert not outcomes["writes"].any()


LINE = "{'pc': 1, 'a': 2, 'x': 3, 'y': 4, 'sp': 5, 'p': 6}"


@pytest.mark.parametrize(
    ("what", "message"),
    [
        ("sys.exit(7)", "case 1,234: ended with exit status 7"),
        ("sys.exit(0)", "case 1,234: ended with exit status 0"),
        ("os.abort()", "case 1,234: crashed with SIGABRT"),
        ("os.kill(os.getpid(), 9)", "case 1,234: crashed with SIGKILL"),
        ("sys.stdout.write('{\"pc\": 3'); sys.exit(1)",
         "case 1,234: ended with exit status 1 in the middle of a line: '{\"pc\": 3'"),
        ("print('Loading the cartridge...')",
         "line 1,235: not JSON: 'Loading the cartridge...'"),
        ("answer = 'x' * 100", f"line 1,235: not JSON: '{'x' * 60}...'"),
        ("answer = ''", "line 1,235: not JSON: ''"),
        ("answer = '[1, 2]'", "line 1,235: not an object: '[1, 2]'"),
        ("answer = '[' * 60000", f"line 1,235: not JSON: '{'[' * 60}...'"),
        ("answer = '9' * 5000", f"line 1,235: a number of too many digits: '{'9' * 60}...'"),
        ("answer = '{\\x1b[2J'", "line 1,235: not JSON: '{\\x1b[2J'"),
        ("answer = answer.replace('{', '{\"a\": 1, ')", "line 1,235: key 'a' is there 2 times: "),
        ("answer = answer.replace('{', '{\"cycle\": 2, ')",
         "line 1,235: unknown key 'cycle': expected pc, a, x, y, sp, p, cycles, writes: "),
        ("answer = answer[:20]", None),
        ("answer += ', ' + answer", None),
        (f"answer = json.dumps({LINE[:-9]}}})", "line 1,235: the outcome has no p: "
         "'{\"pc\": 1, \"a\": 2, \"x\": 3, \"y\": 4, \"sp\": 5}'"),
        ("answer = '{\"writes\": 7, \"pc\": 1, \"a\": 2, \"x\": 3, \"y\": 4, \"sp\": 5, \"p\": 6}'",
         "line 1,235: writes is 7: expected a list of [address, byte] pairs: "
         "'{\"writes\": 7, \"pc\": 1, \"a\": 2, \"x\": 3, \"y\": 4, \"sp\": 5, \"p\":...'"),
        ("sys.stdout.write('y' * 70000); sys.stdout.flush(); time.sleep(600)",
         f"line 1,235: a line without end: '{'y' * 60}...'"),
        ("time.sleep(600)", "case 1,234: no answer within 1 s: does it flush its output?"),
        ("os.close(0); time.sleep(600)",
         "case 1,234: no answer within 1 s: does it flush its output?"),
    ],
)  # fmt: skip
@pytest.mark.usefixtures("unhurried")
def test_a_peer_that_goes_wrong_names_the_line(what: str, message: str | None) -> None:
    with peer(what, patience(message)) as emulator, pytest.raises(EmulatorError) as caught:
        emulator.execute(CASES)
    found = str(caught.value)
    if message is None:
        assert found.startswith('./run peer.py: line 1,235: not JSON: \'{"pc": ')
        assert len(found) < 120
    elif message.endswith(": "):  # and the line
        assert found.startswith(f"./run peer.py: {message}'{{\"")
    else:
        assert found == f"./run peer.py: {message}"
    assert caught.value.case is not None
    assert plain(caught.value.case) == plain(CASES[AT])


@pytest.mark.usefixtures("unhurried")
@pytest.mark.parametrize("count", [1, 2, 1234])
def test_a_peer_that_answers_twice_is_found_out(count: int) -> None:
    """The first answers look right: what is too much may come when all has been answered."""
    twice = PEER.replace("WHAT", "pass").replace("print(", "print(answer); print(")
    Path("peer.py").write_text(twice)

    def ask() -> None:
        with Pipe([sys.executable, "peer.py"]) as emulator:
            emulator.execute(CASES[:count])
            emulator.execute(CASES[:0])

    with pytest.raises(EmulatorError) as caught:
        ask()
    place = f'line {count + 1:,}: more than an answer for each case: \'{{"pc": '
    assert place in str(caught.value)


@pytest.mark.usefixtures("unhurried")
def test_a_peer_that_chats_at_the_end_is_found_out() -> None:
    Path("peer.py").write_text(PEER.replace("WHAT", "pass") + "print('bye')\n")

    def ask() -> None:
        with Pipe([sys.executable, "peer.py"]) as emulator:
            emulator.execute(CASES[:1300])

    with pytest.raises(EmulatorError) as caught:
        ask()
    message = str(caught.value).removeprefix(f"{sys.executable} peer.py: ")
    assert message == "line 1,301: more than an answer for each case: 'bye'"


def test_a_peer_that_greets_first_is_found_out() -> None:
    greeting = "import sys\nprint('ready', flush=True)\n" + PEER.replace("WHAT", "pass")
    Path("peer.py").write_text(greeting)
    command = [sys.executable, "peer.py"]
    with Pipe(command) as emulator, pytest.raises(EmulatorError) as caught:
        emulator.execute(CASES)
    assert str(caught.value) == f"{sys.executable} peer.py: line 1: not JSON: 'ready'"


@pytest.mark.parametrize(
    ("command", "message"),
    [
        ("", "an empty command"),
        ("nosuchcommand --fast", "nosuchcommand --fast: nosuchcommand: command not found"),
        ("./data", "./data: ./data: command not found"),
        ("./script", "./script: cannot be started: Exec format error"),
        ("sh -c 'unended", "sh -c 'unended: no closing quotation"),
    ],
)
def test_a_command_that_cannot_be_started_is_refused(command: str, message: str) -> None:
    Path("data").write_text("")
    Path("script").write_text("neither a program nor a script\n")
    Path("script").chmod(0o755)
    with pytest.raises(EmulatorError) as caught:
        Pipe(command)
    assert str(caught.value) == message


def test_what_a_peer_says_to_people_is_passed_on(capfd: pytest.CaptureFixture[str]) -> None:
    with peer("print('careful', file=sys.stderr)") as emulator:
        emulator.execute(CASES)
    assert capfd.readouterr().err == "careful\n"


def test_a_peer_that_stays_is_ended_with_all_it_has_started() -> None:
    Path("stay.py").write_text(
        "import subprocess, sys, json\n"
        "other = subprocess.Popen([sys.executable, '-c', 'import time; time.sleep(600)'])\n"
        "print(json.dumps(dict(pc=other.pid % 65536, a=0, x=0, y=0, sp=0, p=0)), flush=True)\n"
        "open('pid', 'w').write(str(other.pid))\n"
        "while True: sys.stdin.readline()\n"
    )
    with Pipe([sys.executable, "stay.py"]) as emulator:
        emulator.execute(CASES[:1])
        deadline = time.monotonic() + PATIENCE
        while not (Path("pid").exists() and Path("pid").read_text()):
            assert time.monotonic() < deadline
            time.sleep(0.01)
        assert alive(int(Path("pid").read_text()))
    deadline = time.monotonic() + PATIENCE
    while alive(int(Path("pid").read_text())) and time.monotonic() < deadline:
        time.sleep(0.01)
    assert not alive(int(Path("pid").read_text()))


def test_cases_are_lines_of_their_fields() -> None:
    Path("tee.py").write_text(
        "import sys\nfor line in sys.stdin:\n"
        "    open('seen', 'a').write(line)\n    sys.stdout.write(line)\n    sys.stdout.flush()\n"
    )
    with Pipe([sys.executable, "tee.py"]) as emulator:
        emulator.execute(CASES[:50])
    seen = [json.loads(line) for line in Path("seen").read_text().splitlines()]
    assert seen == [plain(case) for case in CASES[:50]]
    assert list(seen[0]) == ["event", "reads", "pc", "a", "x", "y", "sp", "p"]
    assert len(seen) == 50
