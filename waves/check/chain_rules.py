"""What must hold in every clock by itself: the adder's chain, the ALU's result, and its flags."""

import numpy as np

from carrywave.sim.witness.model import add_decimal, subtract_decimal

from .findings import Window


def judge_chain(w: Window) -> None:
    """Holds the chain and what follows from it to its inputs."""
    operation, a, b = (w[f"unit.alu.{name}"] for name in ("operation", "a", "b"))
    carry_flag, decimal_flag = w["unit.status.c"], w["unit.status.d"]
    w.must("unit.variant", w.report.variant)

    operand, carry_in = b, np.zeros_like(b)
    for name, second, comes_in in (
        ("ADD", b, carry_flag), ("SUBTRACT", 255 - b, carry_flag), ("COMPARE", 255 - b, 1),
        ("SHIFT_LEFT", a, 0), ("ROTATE_LEFT", a, carry_flag), ("INCREMENT", 0, 1),
        ("DECREMENT", 255, 0), ("EXTEND", np.where(b > 127, 255, 0), np.where(b > 127, 0, 1)),
    ):  # fmt: skip
        chosen = operation == name
        operand, carry_in = np.where(chosen, second, operand), np.where(chosen, comes_in, carry_in)
    w.must("unit.alu.operand", operand)

    # Without a carry chain: bit i gets a carry where the i bits below it make 2**i or more, and a
    # decimal digit gives one where it is above nine.
    decimal = (decimal_flag == 1) & (w.report.variant != "binary")
    tens = decimal & (operation == "ADD")
    low = a % 16 + operand % 16 + carry_in
    half = np.where(tens, low > 9, low > 15).astype(np.int64)
    high = a // 16 + operand // 16 + half
    carries = [(a % 2**i + operand % 2**i + carry_in) >> i for i in range(4)]
    carries += [(a // 16 % 2**i + operand // 16 % 2**i + half) >> i for i in range(5)]
    w.must("unit.alu.carry", sum(carry << i for i, carry in enumerate(carries)))
    for i, carry in enumerate(carries):
        w.must(f"unit.alu.c{i}", carry)
    w.must("unit.alu.propagate", a ^ operand)
    w.must("unit.alu.generate", a & operand)
    total = low % 16 + 16 * (high % 16)
    w.must("unit.alu.sum", total)

    decimal_sum, decimal_carry, _, _ = add_decimal(a, b, carry_flag)
    differences = decimal & (operation == "SUBTRACT")
    cmos = w.report.variant == "cmos"
    result, carry = total, carries[8]
    for chosen, value in (
        (operation == "PASS", a), ((operation == "AND") | (operation == "BIT"), a & b),
        (operation == "OR", a | b), (operation == "XOR", a ^ b),
        (operation == "SHIFT_RIGHT", a // 2),
        (operation == "ROTATE_RIGHT", a // 2 + 128 * carry_flag), (tens, decimal_sum),
        (differences, subtract_decimal(a, b, carry_flag, cmos)),
    ):  # fmt: skip
        result = np.where(chosen, value, result)
    w.must("unit.alu.result", result)
    w.must("unit.data_out", result)
    right = (operation == "SHIFT_RIGHT") | (operation == "ROTATE_RIGHT")
    carry = np.where(tens, decimal_carry, np.where(right, a % 2, carry))
    judged = np.where((tens | differences) & (not cmos), total, result)
    bit = operation == "BIT"
    w.must("unit.alu.c", carry)
    w.must("unit.alu.v", np.where(bit, b // 64 % 2, carries[8] ^ carries[7]))
    w.must("unit.alu.n", np.where(bit, b, judged) // 128)
    w.must("unit.alu.z", judged == 0)
