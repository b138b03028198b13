"""Ways to drive the hardware that several of the tests use."""

import pytest
from amaranth.sim import Simulator


@pytest.fixture(scope="session")
def settle():
    """Runs combinational hardware: for each row of inputs by port, the output's value."""

    def run(dut, rows, output):
        values = []

        async def testbench(ctx):
            before = {}
            for row in rows:
                for port, value in row.items():
                    if before.get(port) != value:
                        ctx.set(getattr(dut, port), value)
                before = row
                values.append(ctx.get(output))

        simulator = Simulator(dut)
        simulator.add_testbench(testbench)
        simulator.run()
        return values

    return run
