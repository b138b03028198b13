"""What all tests share."""

import os

import pytest


@pytest.fixture(scope="session", autouse=True)
def _own_cache(tmp_path_factory):
    """Netlists and vectors are kept among pytest's own temporary files, for all its processes."""
    base = tmp_path_factory.getbasetemp()
    shared = base.parent if "PYTEST_XDIST_WORKER" in os.environ else base
    with pytest.MonkeyPatch.context() as patch:
        patch.setenv("CARRYWAVE_CACHE", str(shared / "cache"))
        yield
