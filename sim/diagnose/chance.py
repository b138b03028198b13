"""When a fit is no chance: how much a wrong answer tells, and which rows are looked at."""

import math
from typing import Final

import numpy as np
import numpy.typing as npt

MARGIN: Final = 10.0  # bits: one nonsense in a thousand may be taken for a formula
ROUNDS: Final = 8  # of a search: each looks at more of the rows that the last one's find missed


def information(rows: int, wrong: int) -> float:
    """How many bits it takes to say which rows are wrong: what a formula has to explain."""
    if 2 * wrong > rows:
        return rows
    return (
        math.lgamma(rows + 1) - math.lgamma(wrong + 1) - math.lgamma(rows - wrong + 1)
    ) / math.log(2)


def spread(rows: npt.NDArray[np.int64], count: int) -> npt.NDArray[np.int64]:
    """So many of them at most, from all over, in an order that goes with no grid's axis."""
    if len(rows) <= count:
        return rows
    return np.sort(np.random.default_rng(len(rows)).choice(rows, count, replace=False))
