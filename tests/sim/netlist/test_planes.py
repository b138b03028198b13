"""Planes of bits: what is packed is unpacked again, and bit i of a plane is row i."""

from __future__ import annotations

from typing import Any

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from carrywave.sim.netlist.compiled import pack, unpack


@given(st.data(), st.sampled_from([(np.uint8, 8), (np.uint16, 16), (np.uint16, 12)]))
def test_what_is_packed_is_unpacked_again(data: st.DataObject, kind: tuple[Any, int]) -> None:
    dtype, width = kind
    numbers = data.draw(st.lists(st.integers(0, 2**width - 1), max_size=70))
    planes = pack(np.array(numbers, dtype), width)
    assert len(planes) == width
    assert planes == [sum((n >> b & 1) << i for i, n in enumerate(numbers)) for b in range(width)]
    column = unpack(planes, len(numbers), dtype)
    assert column.dtype == dtype
    assert column.tolist() == numbers


def test_a_field_of_records_is_packed_as_a_column_is() -> None:
    records = np.zeros(300, [("a", "u1"), ("w", "<u2"), ("b", "u1", 3)])
    records["w"] = np.arange(300) * 7
    records["b"][:, 1] = np.arange(300) % 256
    assert pack(records["w"], 16) == pack(np.ascontiguousarray(records["w"]), 16)
    assert pack(records["b"][:, 1], 8) == pack(np.arange(300).astype(np.uint8), 8)
    assert pack(records["a"], 8) == [0] * 8


@pytest.mark.parametrize("rows", [1, 7, 8, 9, 64, 65, 1000])
def test_bits_that_are_the_same_in_every_row_need_no_packing(rows: int) -> None:
    ones = (1 << rows) - 1
    assert pack(np.full(rows, 0xA5, np.uint8), 8) == [ones * (0xA5 >> b & 1) for b in range(8)]
    assert unpack([ones, 0, ones], rows, np.uint8).tolist() == [5] * rows


def test_a_number_wider_than_its_planes_loses_its_upper_bits() -> None:
    assert pack(np.array([0xFFF3], np.uint16), 4) == [1, 1, 0, 0]
