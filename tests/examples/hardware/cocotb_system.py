"""The same system in cocotb: each bus cycle of the run is held to a file with a row for each.

`python cocotb_system.py image.hex rows.txt` in a folder with system.v and unit_nmos.v.
"""

import os
import sys
from pathlib import Path

import cocotb
from cocotb.triggers import ReadOnly, RisingEdge


def row(system):
    """What `bench` prints of a cycle."""

    def hexadecimal(*names):
        return [
            f"{int(s.value):0{(len(s) + 3) // 4}x}" for s in (getattr(system, n) for n in names)
        ]

    write = int(system.write.value)
    return " ".join([
        *hexadecimal("address"), str(write), *hexadecimal("written" if write else "read"),
        f"{int(system.sync.value)}{int(system.stopped.value)}",
        *hexadecimal("clock_number", "pc", "a", "x", "y", "sp", "p"),
    ])  # fmt: skip


@cocotb.test()
async def every_cycle_is_the_expected_one(bench):
    expected = Path(os.environ["ROWS"]).read_text().splitlines()
    seen = []
    while len(seen) < len(expected):
        await RisingEdge(bench.dut.ready)  # the byte is there; the cycle ends with this clock
        await ReadOnly()
        seen.append(row(bench.dut))
    for number, (one, right) in enumerate(zip(seen, expected, strict=True)):
        assert one == right, f"cycle {number}: {one}, expected {right}"
    cocotb.log.info("%d cycles agree", len(seen))


if __name__ == "__main__":
    from cocotb_tools.runner import get_results, get_runner

    image, rows = (Path(one).resolve() for one in sys.argv[1:])
    runner = get_runner("icarus")
    runner.build(sources=["system.v", "unit_nmos.v"], hdl_toplevel="bench")
    results = runner.test(
        hdl_toplevel="bench", test_module="cocotb_system", extra_env={"ROWS": str(rows)},
        plusargs=[f"+image={image}", "+cycles=2000000000"],
    )  # fmt: skip
    sys.exit(get_results(results)[1] > 0)
