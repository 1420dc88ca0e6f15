"""Names that a person gives: of recordings, sessions, phones and labels.

They become file names, table cells and lines on a terminal, on every
system that a dataset travels to, so one rule holds for all of them.
"""

import re
import unicodedata
from functools import lru_cache

__all__ = ["check_name", "check_note", "name_key", "visible"]

_LONGEST_NAME = 100
_LONGEST_NOTE = 500
# Refused in file names by Windows; the slash by every system.
_FORBIDDEN = frozenset('/\\:*?"<>|')
_RESERVED = re.compile(r"(con|prn|aux|nul|conin\$|conout\$|com[0-9¹²³]|lpt[0-9¹²³])(\..*)?", re.IGNORECASE)
# Zero-width joiner and non-joiner belong to the spelling of several scripts; every other format
# character (bidirectional overrides among them) can make one name look like another.
_JOINERS = frozenset("\u200c\u200d")
_UNPRINTABLE = frozenset({"Cc", "Cf", "Cs", "Zl", "Zp"})


@lru_cache(maxsize=1024)
def check_name(text: str, what: str) -> None:
    """Raise ValueError, in one line, unless `text` can be a name everywhere.

    Parameters
    ----------
    text : str
        The proposed name.
    what : str
        What it names, for the message: ``"session"``, ``"label"``.

    Raises
    ------
    ValueError
        For an empty name, one over 100 characters, control or format
        characters, a character that file systems refuse, blanks or dots at
        the ends, and names that Windows reserves.
    """
    if not text:
        raise ValueError(f"the {what} is empty")
    if len(text) > _LONGEST_NAME:
        raise ValueError(f"the {what} has {len(text)} characters; at most {_LONGEST_NAME} are allowed")
    _check_printable(text, what)
    found = sorted(_FORBIDDEN.intersection(text))
    if found:
        raise ValueError(f"the {what} {text!r} holds {' '.join(found)}, which file names may not hold")
    if text != text.strip() or text.startswith(".") or text.endswith("."):
        raise ValueError(f"the {what} {text!r} begins or ends with a blank or a dot")
    if _RESERVED.fullmatch(text):
        raise ValueError(f"the {what} {text!r} is a name that Windows reserves")


@lru_cache(maxsize=1024)
def check_note(text: str) -> None:
    """Raise ValueError, in one line, unless `text` is one printable line of at most 500 characters."""
    if len(text) > _LONGEST_NOTE:
        raise ValueError(f"the note has {len(text)} characters; at most {_LONGEST_NOTE} are allowed")
    _check_printable(text, "note")


def name_key(text: str) -> str:
    """Return what two names have in common when some file system takes them for the same.

    Examples
    --------
    >>> name_key("Bench") == name_key("BENCH")
    True
    """
    return unicodedata.normalize("NFC", unicodedata.normalize("NFC", text).casefold())


def visible(text: str) -> str:
    r"""Return `text` as one harmless line: control and format characters are written as escapes.

    Examples
    --------
    >>> print(visible("a\x1b[31m\nb"))
    a\x1b[31m\nb
    """
    return "".join(_escaped(character) if _is_unprintable(character) else character for character in text)


def _check_printable(text: str, what: str) -> None:
    for character in text:
        if _is_unprintable(character):
            raise ValueError(
                f"the {what} {visible(text)!r} holds the invisible character {_escaped(character)}"
            )


def _is_unprintable(character: str) -> bool:
    return unicodedata.category(character) in _UNPRINTABLE and character not in _JOINERS


def _escaped(character: str) -> str:
    return character.encode("unicode_escape").decode("ascii")
