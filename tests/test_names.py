"""Names that are safe on every system, and text that is safe on every terminal."""

import string

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from evalkit.names import check_name, check_note, name_key, visible


@pytest.mark.parametrize(
    "name", ["a", "bench 2", "Tür", "鐘", "a.b", "x" * 100, "console", "com10", "می\u200cخواهم"]
)
def test_good_names(name: str) -> None:
    check_name(name, "label")


@pytest.mark.parametrize(
    ("name", "reason"),
    [
        ("", "the label is empty"),
        ("x" * 101, "the label has 101 characters; at most 100"),
        ("..", "begins or ends with a blank or a dot"),
        ("a ", "begins or ends with a blank or a dot"),
        ("a\tb", r"holds the invisible character \\t"),
        ("a\x7fb", r"invisible character \\x7f"),
        ("a\u202eb", r"invisible character \\u202e"),
        ("a\u2066b", r"invisible character \\u2066"),
        ("a\u2028b", r"invisible character \\u2028"),
        ("a\u200bb", r"invisible character \\u200b"),
        ("a\udcffb", r"invisible character \\udcff"),
        ("a/b", "holds /"),
        ("what?*", r"holds \* \?"),
        ("aux", "Windows reserves"),
        ("NUL.txt", "Windows reserves"),
        ("Lpt9", "Windows reserves"),
        ("com¹", "Windows reserves"),
    ],
)
def test_bad_names(name: str, reason: str) -> None:
    with pytest.raises(ValueError, match=reason):
        check_name(name, "label")


def test_notes_may_hold_what_names_may_not() -> None:
    check_note(" a/b: why? ")
    check_note("")


@pytest.mark.parametrize(
    ("a", "b"), [("Bench", "bENCH"), ("Straße", "STRASSE"), ("é", "e\u0301"), ("É", "e\u0301")]
)
def test_names_that_some_file_system_takes_for_one(a: str, b: str) -> None:
    assert name_key(a) == name_key(b)


@settings(derandomize=True, deadline=None)
@given(st.text())
def test_visible_text_is_one_harmless_line(text: str) -> None:
    shown = visible(text)
    assert len(shown.splitlines()) <= 1
    assert not any(ord(character) < 32 or 0x7F <= ord(character) < 0xA0 for character in shown)
    if set(text) <= set(string.printable) - set("\t\n\r\x0b\x0c"):
        assert shown == text
