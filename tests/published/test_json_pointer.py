"""JSON Pointer as RFC 6901 (P. Bryan, K. Zyp, M. Nottingham, April 2013) prints it."""

import pytest

from daemon.sources import payload

RFC_DOCUMENT = {
    "foo": ["bar", "baz"],
    "": 0,
    "a/b": 1,
    "c%d": 2,
    "e^f": 3,
    "g|h": 4,
    "i\\j": 5,
    'k"l': 6,
    " ": 7,
    "m~n": 8,
}


@pytest.mark.parametrize(
    ("pointer", "value"),
    [
        ("", RFC_DOCUMENT),
        ("/foo", ["bar", "baz"]),
        ("/foo/0", "bar"),
        ("/", 0),
        ("/a~1b", 1),
        ("/c%d", 2),
        ("/e^f", 3),
        ("/g|h", 4),
        ("/i\\j", 5),
        ('/k"l', 6),
        ("/ ", 7),
        ("/m~0n", 8),
    ],
)
def test_pointers_of_rfc_6901(pointer: str, value: object) -> None:
    """Every example of section 5 gives the value printed there."""
    assert payload.resolve(RFC_DOCUMENT, pointer) == value


def test_tilde_is_decoded_last() -> None:
    """Section 4: `~01` stands for `~1`, and not for a slash."""
    assert payload.resolve({"~1": 5}, "/~01") == 5


@pytest.mark.parametrize("pointer", ["/bar", "/foo/2", "/foo/01", "/foo/-", "/foo/0/x", "/foo/+1"])
def test_pointers_to_nothing(pointer: str) -> None:
    """Sections 4 and 7: no such member, past the end, a leading zero, the place after the end, into a text."""
    with pytest.raises(payload.PayloadError, match="nothing at /"):
        payload.resolve(RFC_DOCUMENT, pointer)
