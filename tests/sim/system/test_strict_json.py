"""JSON of others: read as any reader would, or refused."""

import pytest

from carrywave.sim.system.strict_json import UnreadableError, decoded


def test_a_value_is_read():
    assert decoded('\ufeff{"a": [1, null, {"a": "\\ud800"}]}'.encode()) == {
        "a": [1, None, {"a": "\ud800"}]
    }


@pytest.mark.parametrize(
    ("data", "told"),
    [
        (b"", ""),
        (b"{}{}", ""),
        (b"\xff", ""),
        (b"{\x00}\x00", ""),
        (b"[" * 200_000, ""),
        (b'{"a":' * 200_000, ""),
        (b"9" * 5000, "a number of too many digits"),
        (b'[{"a": 1, "b": 2, "a": 1}]', "key 'a' is there 2 times"),
        (b'{"\\u001b": {}, "\\u001b": {}, "\\u001b": 0}', "key '\\x1b' is there 3 times"),
    ],
)
def test_what_is_none_or_has_two_readings_is_refused(data, told):
    with pytest.raises(UnreadableError) as caught:
        decoded(data)
    assert str(caught.value) == told
