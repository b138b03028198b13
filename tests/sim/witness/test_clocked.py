"""The hardware in Amaranth's simulator: who runs beside it finds it as at power-up."""

from __future__ import annotations

import pytest

from carrywave.rtl.datapath import Unit
from carrywave.sim.witness import clocked
from carrywave.sim.witness.clocked import Context, simulate

NOP = 0xEA


@pytest.fixture(autouse=True)
def none_idle(monkeypatch: pytest.MonkeyPatch) -> list[Unit]:
    """What was built before is not taken, and what is built is noted."""
    built: list[Unit] = []

    def unit(*given: str) -> Unit:
        built.append(Unit(*given))
        return built[-1]

    monkeypatch.setattr(clocked, "Unit", unit)
    monkeypatch.setattr(clocked, "_IDLE", type(clocked._IDLE)(list))
    return built


def addresses(clocks: int, fail_at: int | None = None) -> list[tuple[int, int, int]]:
    """What a unit that reads NOPs shows in its first clocks."""
    shown: list[tuple[int, int, int]] = []

    async def testbench(ctx: Context, unit: Unit) -> None:
        for clock in range(clocks):
            if clock == fail_at:
                raise LookupError(clock)
            ctx.set(unit.data_in, NOP)
            ctx.set(unit.a, clock + 1)
            shown.append(
                (ctx.get(unit.address), ctx.get(unit.sync), ctx.get(unit.control.clock_number))
            )
            await ctx.tick()

    simulate(testbench)
    return shown


def test_a_unit_that_was_used_begins_again_from_power_up(none_idle: list[Unit]) -> None:
    first = addresses(23)
    assert len(set(first)) > 12
    assert addresses(23) == first
    assert addresses(11) == first[:11]
    assert addresses(23) == first
    assert len(none_idle) == 1


def test_one_whose_testbench_failed_is_not_used_again(none_idle: list[Unit]) -> None:
    first = addresses(23)
    with pytest.raises(LookupError, match=r"^7$"):
        addresses(23, fail_at=7)
    assert addresses(23) == first
    assert len(none_idle) == 2


def test_each_variant_and_adder_has_its_own(none_idle: list[Unit]) -> None:
    seen: list[Unit] = []

    async def testbench(ctx: Context, unit: Unit) -> None:
        seen.append(unit)

    for given in (("nmos", "ripple"), ("cmos", "ripple"), ("nmos", "prefix"), ("nmos", "ripple")):
        simulate(testbench, *given)
    assert [unit.variant.value for unit in seen] == ["nmos", "cmos", "nmos", "nmos"]
    assert seen[0] is seen[3]
    assert len(none_idle) == 3


def test_one_that_is_used_is_not_used_by_another_besides(none_idle: list[Unit]) -> None:
    alone = addresses(9)

    async def testbench(ctx: Context, unit: Unit) -> None:
        for _ in range(5):
            ctx.set(unit.data_in, NOP)
            await ctx.tick()
        before = ctx.get(unit.address)
        assert addresses(9) == alone
        assert ctx.get(unit.address) == before

    simulate(testbench)
    assert len(none_idle) == 2
