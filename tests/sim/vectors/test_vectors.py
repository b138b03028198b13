"""`carrywave vectors`: few cases, that still show every fault and mistake they claim to show."""

from __future__ import annotations

import csv
import hashlib
import json
import pickle
import re
import shutil
import subprocess
import sys
from collections.abc import Callable
from pathlib import Path
from typing import Any

import anew
import numpy as np
import pyarrow.parquet as pq
import pytest
from usual import USUAL

from carrywave.sim.cases.case_memory import possible
from carrywave.sim.cases.layout import CASE, OUTCOME, REGISTERS, Cases, plain
from carrywave.sim.cases.sampled import compact_cases
from carrywave.sim.emulator.c_header import header
from carrywave.sim.family.members import VARIANTS
from carrywave.sim.grade.faults import Injector, fault_sites
from carrywave.sim.grade.scenarios import trace_cases
from carrywave.sim.mistakes.catalogue import MISTAKES
from carrywave.sim.mistakes.mistake import Mistaken
from carrywave.sim.netlist.synthesis import drawn_netlist
from carrywave.sim.vectors import compact as vectors
from carrywave.sim.vectors import written
from carrywave.sim.vectors.compact import Vectors, VectorsError, compact
from carrywave.sim.vectors.written import columns, write
from carrywave.sim.witness.comparison import Comparison
from carrywave.sim.witness.model import Model

FAULTS = 384  # one in so many of the faults and of the mistakes' places: all take minutes
PLACES = 16


@pytest.fixture(scope="module")
def few(made_once: Callable[[str, Callable[[], bytes]], bytes]) -> Vectors:
    def make() -> bytes:
        faults = fault_sites(drawn_netlist("nmos")).faults[::FAULTS]
        places = vectors._targets("nmos")[::PLACES]
        with pytest.MonkeyPatch.context() as patch:
            patch.setattr(vectors, "_targets", lambda variant: places)
            return pickle.dumps(compact("nmos", faults, jobs=1))

    found: Vectors = pickle.loads(made_once("vectors of nmos", make))
    return found


def exposing(cases: Cases, variant: str) -> dict[int, set[str]]:
    """For each mistake the instructions in which the cases show it."""
    expected = Model(variant).execute(cases)
    return {
        mistake.number: {
            name
            for name, tally in Comparison.of(
                cases, expected, Mistaken(mistake, variant=variant).execute(cases)
            ).instructions.items()
            if tally.mismatches
        }
        for mistake in MISTAKES
        if variant in mistake.variants
    }


def test_the_cover_is_a_cover_and_needs_each_of_its_elements() -> None:
    rng = np.random.default_rng(1)
    for _ in range(50):
        sets = [int(rng.integers(1, 1 << 20)) & int(rng.integers(1, 1 << 20)) for _ in range(40)]
        sets = [one for one in sets if one]
        chosen = vectors._cover(sets, 20)
        assert chosen
        assert all(any(one >> i & 1 for i in chosen) for one in sets)
        for left_out in chosen:
            kept = [i for i in chosen if i != left_out]
            assert not all(any(one >> i & 1 for i in kept) for one in sets)
    assert vectors._cover([0b110, 0b010, 0b010], 3) == [1]
    assert vectors._cover([], 3) == []


@pytest.mark.exhaustive
def test_every_fault_that_is_claimed_is_seen(few: Vectors) -> None:
    injector = Injector(drawn_netlist("nmos"))
    faults = fault_sites(injector.netlist).faults[::FAULTS]
    trace = trace_cases(injector, "nmos", few.cases)
    seen = sum(bool(injector.seen(trace, fault)) for fault in faults)
    assert seen == few.coverage["detected"] > 20
    assert few.coverage["faults"] == len(faults) == seen + few.coverage["undetected"]
    assert len(few.cases) == few.coverage["cases"] < 400
    assert possible(few.cases).all()


@pytest.mark.exhaustive
def test_every_mistake_is_shown_where_it_was_asked_for(few: Vectors) -> None:
    asked, expected = vectors._targets("nmos")[::PLACES], Model("nmos").execute(few.cases)
    for mistake, name in asked:
        actual = Mistaken(mistake).execute(few.cases)
        assert Comparison.of(few.cases, expected, actual).instructions[name].mismatches
    assert few.coverage["found"] == few.coverage["planted"] == len(asked) > 20
    assert few.coverage["mistakes"] == len({mistake.number for mistake, _ in asked}) > 15


@pytest.mark.exhaustive
@pytest.mark.parametrize("variant", VARIANTS[1:])  # of NMOS, the set that is shipped is made anew
def test_every_mistake_is_shown_in_every_instruction(variant: str) -> None:
    one = compact(variant, fault_sites(drawn_netlist(variant)).faults[:16], jobs=1)
    assert one.coverage["found"] == one.coverage["planted"] > 100
    assert exposing(one.cases, variant) == {
        m.number: m.mnemonics for m in MISTAKES if variant in m.variants
    }


@pytest.mark.exhaustive
def test_the_set_is_the_same_however_many_processes_make_it(
    few: Vectors, monkeypatch: pytest.MonkeyPatch
) -> None:
    places = vectors._targets("nmos")[::PLACES]
    monkeypatch.setattr(vectors, "_targets", lambda variant: places)
    faults = fault_sites(drawn_netlist("nmos")).faults[::FAULTS]
    two = compact("nmos", faults, jobs=2)
    assert two.cases.tobytes() == few.cases.tobytes()
    assert two.coverage == few.coverage


def read_rows(table: list[dict[str, Any]]) -> tuple[Any, Any]:
    """Cases and outcomes from rows by column name, or with lists of pairs."""
    cases, outcomes = np.zeros(len(table), CASE), np.zeros(len(table), OUTCOME)
    for records, what in ((cases, "reads"), (outcomes, "writes")):
        for name in records.dtype.names or ():
            shared = name in (CASE.names or ()) and name in (OUTCOME.names or ())
            column = f"after_{name}" if shared and records is outcomes else name
            for i, row in enumerate(table):
                pairs = row[what]
                if isinstance(pairs, list) and name.startswith(what[:-1]):
                    if name == what:
                        records[name][i] = len(pairs)
                    else:
                        for k, pair in enumerate(pairs):
                            records[name][i, k] = pair[name.endswith("value")]
                elif records[name].ndim == 1:
                    records[name][i] = int(row[column])
                else:
                    records[name][i] = [
                        int(row[f"{column}_{k}"]) for k in range(records[name].shape[1])
                    ]
    return cases, outcomes


def test_each_format_holds_the_same_cases_and_the_models_outcomes(
    few: Vectors, tmp_path: Path
) -> None:
    for suffix in (".csv", ".jsonl", ".parquet"):
        path = tmp_path / f"v{suffix}"
        write(few, path)
        if suffix == ".csv":
            lines = path.read_text().splitlines()
            assert f"# detected: {few.coverage['detected']}" in lines
            rows = list(csv.DictReader(line for line in lines if not line.startswith("#")))
        elif suffix == ".jsonl":
            first, *rows = (json.loads(line) for line in path.read_text().splitlines())
            assert first == {"coverage": few.coverage}
        else:
            table = pq.read_table(path)
            assert json.loads(table.schema.metadata[b"coverage"]) == few.coverage
            rows = table.to_pylist()
        cases, outcomes = read_rows(rows)
        assert list(rows[0]) == (
            [*plain(few.cases[0]), *(f"after_{name}" for name in REGISTERS), "cycles", "writes"]
            if suffix == ".jsonl"
            else list(columns(few))
        )
        assert cases.tobytes() == few.cases.tobytes()
        assert outcomes.tobytes() == Model("nmos").execute(few.cases).tobytes()
    assert sorted(path.name for path in tmp_path.iterdir()) == ["v.csv", "v.jsonl", "v.parquet"]


@pytest.mark.skipif(shutil.which("cc") is None, reason="no C compiler here")
def test_the_c_array_compiles_to_the_same_bytes(few: Vectors, tmp_path: Path) -> None:
    write(few, tmp_path / "vectors.h")
    (tmp_path / "carrywave.h").write_text(header())
    (tmp_path / "dump.c").write_text(
        '#include <stdio.h>\n#include "vectors.h"\nint main(void) {\n'
        "    return fwrite(carrywave_vectors, sizeof carrywave_vectors[0], CARRYWAVE_VECTORS,\n"
        "                  stdout) != CARRYWAVE_VECTORS;\n}\n"
    )
    assert "an emulator may leave out the first" in (tmp_path / "vectors.h").read_text()
    flags = ["-std=c11", "-Wall", "-Wextra", "-Werror"]
    subprocess.run(["cc", *flags, "dump.c", "-o", "dump"], cwd=tmp_path, check=True)
    found = subprocess.run([tmp_path / "dump"], check=True, stdout=subprocess.PIPE).stdout
    outcomes = Model("nmos").execute(few.cases)
    assert len(outcomes) > 15
    pairs = zip(few.cases, outcomes, strict=True)
    assert found == b"".join(c.tobytes() + o.tobytes() for c, o in pairs)


@pytest.mark.parametrize("suffix", written.SUFFIXES)
def test_a_row_that_the_model_denies_is_not_written(
    few: Vectors, tmp_path: Path, monkeypatch: pytest.MonkeyPatch, suffix: str
) -> None:
    monkeypatch.setattr(vectors, "Model", lambda variant: Mistaken(MISTAKES[0], variant=variant))
    with pytest.raises(VectorsError, match="nmos: the gates do not agree with the model"):
        write(few, tmp_path / f"v{suffix}")
    assert list(tmp_path.iterdir()) == []


def test_the_cache_is_used_and_a_damaged_one_made_again(
    few: Vectors, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    made = []

    def counted(variant: str, **_: Any) -> Vectors:
        made.append(variant)
        return few

    drawn_netlist("nmos")
    monkeypatch.setenv("CARRYWAVE_CACHE", str(tmp_path))
    monkeypatch.setattr(vectors, "compact", counted)
    first, again = vectors.cached("nmos"), vectors.cached("nmos")
    assert made == ["nmos"]
    assert first.cases.tobytes() == again.cases.tobytes()
    assert first.coverage == again.coverage
    (kept,) = tmp_path.glob("vectors-nmos-*.json")
    good = kept.read_text()
    seal, _, text = good.partition("\n")
    changed = json.loads(text)
    changed["counted"][1] += 1
    sealed = ['{"cases": "00", "counted": []}', '{"cases": "", "counted": "1234567"}', "[]"]
    tampered = [
        "", text, good[:-9], good.replace('"cases": "00', '"cases": "01', 1),
        f"{seal}\n{json.dumps(changed)}",
        *(f"{seal[:64]} {hashlib.sha256(t.encode()).hexdigest()}\n{t}" for t in sealed),
    ]  # fmt: skip
    assert good not in tampered
    for times, damaged in enumerate(tampered, 2):
        kept.write_text(damaged)
        assert vectors.cached("nmos").coverage == few.coverage
        assert len(made) == times
        assert kept.read_text() == good


def test_the_command_writes_and_says_what_is_covered(
    few: Vectors,
    tmp_path: Path,
    monkeypatch: pytest.MonkeyPatch,
    carrywave: Callable[..., tuple[int, str, str]],
) -> None:
    monkeypatch.setattr("carrywave.sim.cli.vectors.cached", lambda variant, progress: few)
    path = tmp_path / "v.csv"
    status, said, _ = carrywave("vectors", "-o", path)
    assert status == 0
    found = few.coverage["found"]
    expected = rf"v\.csv: \d+ cases; \d+ of \d+ faults, {found} of {found} planted mistakes\n"
    assert re.search(expected, said)
    assert path.read_text().startswith("# variant: nmos\n")
    status, said, _ = carrywave("vectors", "-o", path, "--json")
    assert status == 0
    assert json.loads(said) == {"file": str(path), **few.coverage}


def test_what_cannot_be_written_is_told_in_a_line(
    few: Vectors,
    tmp_path: Path,
    monkeypatch: pytest.MonkeyPatch,
    carrywave: Callable[..., tuple[int, str, str]],
) -> None:
    monkeypatch.setattr("carrywave.sim.cli.vectors.cached", lambda variant, progress: few)
    status, _, said = carrywave("vectors", "-o", "v.txt")
    assert status == 2
    assert "v.txt: expected a name that ends in .csv, .jsonl, .parquet, .h" in said
    status, _, said = carrywave("vectors", "-o", tmp_path / "none" / "v.csv")
    assert status == 2
    assert "none/v.csv: No such file or directory" in said
    monkeypatch.setitem(sys.modules, "pyarrow", None)
    status, _, said = carrywave("vectors", "-o", tmp_path / "v.parquet")
    assert status == 2
    assert "pip install 'carrywave[trace]'" in said
    assert list(tmp_path.iterdir()) == []


@pytest.mark.parametrize("variant", USUAL)
def test_the_sets_that_are_shipped_show_every_mistake(variant: str) -> None:
    """As sets that are found anew do."""
    made = {m.number: m.mnemonics for m in MISTAKES if variant in m.variants}
    assert exposing(compact_cases(variant), variant) == made


def test_the_sets_that_are_shipped_show_every_fault_that_a_set_found_anew_shows(
    few: Vectors,
) -> None:
    injector = Injector(drawn_netlist("nmos"))
    new, shipped = (trace_cases(injector, "nmos", c) for c in (few.cases, compact_cases()))
    faults = fault_sites(injector.netlist).faults[::FAULTS]
    seen = [fault for fault in faults if injector.seen(new, fault)]
    assert len(seen) > 20
    assert [fault for fault in seen if not injector.seen(shipped, fault)] == []


@pytest.mark.exhaustive
@pytest.mark.parametrize("variant", VARIANTS)
def test_the_sets_that_are_shipped_were_found_from_what_there_is(variant: str) -> None:
    """To find them takes minutes; `python -m anew` does, and says whether they are the same."""
    assert anew.found_from(variant) == json.loads(anew.FOUND_FROM.read_text())[variant]
    assert len(anew.shipped(variant)) > 100


@pytest.mark.exhaustive
def test_what_they_were_found_from_is_told_apart(monkeypatch: pytest.MonkeyPatch) -> None:
    first = anew.found_from("binary")
    monkeypatch.setattr(vectors, "POOL", vectors.POOL * 2)
    assert anew.found_from("binary") != first
