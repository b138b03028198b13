"""What messages quote: short, in one line, and nothing that a terminal obeys."""

import pickle

import pytest

from carrywave.sim.system.errors import UnusableError
from carrywave.sim.system.quoting import LONGEST, one_line, quoted, visible


@pytest.mark.parametrize(
    ("text", "shown"),
    [
        ("é ≥ 'a' \\", "é ≥ 'a' \\"),
        ("a\x1b[31mb\x07\x7f", "a\\x1b[31mb\\x07\\x7f"),
        ("one\ntwo\r\n\tthree\u2028", "one\\ntwo\\r\\n\\tthree\\u2028"),
        ("\ud800 and \u202e", "\\ud800 and \\u202e"),
    ],
)
def test_what_cannot_be_printed_is_made_visible(text, shown):
    assert visible(text) == shown
    shown.encode()


def test_a_quotation_is_short():
    assert quoted("x" * 60) == repr("x" * 60)
    assert quoted("x" * 5_000_000) == repr("x" * 60 + "...")
    assert quoted("\x1b\ud800") == "'\\x1b\\ud800'"


@pytest.mark.parametrize("filler", ["x", "\x1b", "\U0010ffff"])
def test_an_error_is_one_line_of_some_hundred_characters(filler):
    error = pickle.loads(pickle.dumps(UnusableError(f"a\n.csv: {filler * 5_000_000}: no number")))
    assert str(error).startswith("a\\n.csv: ")
    assert len(str(error)) <= LONGEST
    assert str(error).isprintable()
    assert str(error) == one_line(str(error))
    assert filler != "x" or str(error).endswith("x: no number")
