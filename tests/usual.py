"""What the usual run has of a test's many parameters: the rest is marked `exhaustive`."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

import pytest

from carrywave.sim.family.members import VARIANTS


def first_of(parameters: Sequence[Any], count: int = 1) -> list[Any]:
    """The first ones as they are, the others for the exhaustive run."""
    rest = [
        pytest.param(*(one if isinstance(one, tuple) else (one,)), marks=pytest.mark.exhaustive)
        for one in parameters[count:]
    ]
    return [*parameters[:count], *rest]


#: The usual run has NMOS, and whatever a test says of CMOS itself; the exhaustive one has all.
USUAL = first_of(VARIANTS)
