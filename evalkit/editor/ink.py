"""Rows of characters from arrays of dots, for terminals with braille characters and for those without."""

import os
import unicodedata
from collections.abc import Mapping
from dataclasses import dataclass
from enum import Enum, IntEnum

import numpy as np
from numpy.typing import NDArray
from rich.cells import cell_len

__all__ = ["Canvas", "Ink", "Look", "ink_of_terminal"]

_BRAILLE = 0x2800
# Bits of the eight dots of a braille character, rows from the top, two to a row.
_BITS = np.array([[0x01, 0x08], [0x02, 0x10], [0x04, 0x20], [0x40, 0x80]], np.uint32)
_HALVES = np.array([" ", "▄", "▀", "█"])


class Ink(Enum):
    """What dots are made of."""

    BRAILLE = "braille"
    """Eight dots to a character."""
    BLOCKS = "blocks"
    """Upper and lower halves, which every console font has."""


class Look(IntEnum):
    """How a character is set; colour never says anything that the character itself does not."""

    PLAIN = 0
    DIM = 1
    NAME = 2
    LEVEL = 3
    OVER = 4
    LINE = 5
    FILL = 6
    ALERT = 7
    SEGMENT = 8
    CHOSEN = 9
    PROPOSAL = 10
    REVIEWED = 11
    WARNING = 12


REVERSED = 64
"""Added to a look: foreground and background change places."""


@dataclass(frozen=True)
class Canvas:
    """A picture of characters, drawn on from above."""

    chars: NDArray[np.str_]
    """(rows, columns), one character each."""
    looks: NDArray[np.uint8]
    """(rows, columns)."""

    @classmethod
    def blank(cls, rows: int, columns: int) -> "Canvas":
        """Return an empty one."""
        return cls(np.full((rows, columns), " ", "<U1"), np.zeros((rows, columns), np.uint8))

    def text(self, row: int, column: int, text: str, look: Look = Look.PLAIN) -> None:
        """Write a text; what does not fit is cut.

        A character that a terminal shows in two columns is followed by an
        empty one, so that a row stays as wide as it is.
        """
        if not 0 <= row < self.chars.shape[0]:
            return
        shown = _in_columns(text)[max(0, -column) : max(0, self.chars.shape[1] - column)]
        if shown and shown[0] == "":
            shown[0] = " "
        if shown and cell_len(shown[-1]) == 2:
            shown[-1] = " "
        column = max(0, column)
        self.chars[row, column : column + len(shown)] = shown
        self.looks[row, column : column + len(shown)] = look

    def put(self, row: int, column: int, other: "Canvas") -> None:
        """Lay another picture onto this one."""
        rows, columns = other.chars.shape
        self.chars[row : row + rows, column : column + columns] = other.chars
        self.looks[row : row + rows, column : column + columns] = other.looks


def _in_columns(text: str) -> list[str]:
    """Return what each column of a terminal shows of a text."""
    if text.isascii():
        return list(text)
    columns: list[str] = []
    for character in unicodedata.normalize("NFC", text):
        width = cell_len(character)
        columns += [character, ""][:width]
    return columns


def ink_of_terminal(environment: Mapping[str, str] = os.environ) -> Ink:
    """Return what the terminal can show: the bare console of Linux has no braille characters."""
    return Ink.BLOCKS if environment.get("TERM") == "linux" else Ink.BRAILLE


def cells(dots: NDArray[np.bool_], ink: Ink) -> NDArray[np.str_]:
    """Return the characters for dots: (4 rows, 2 columns) to a character, the top row first."""
    rows, columns = dots.shape[0] // 4, dots.shape[1] // 2
    groups = dots.reshape(rows, 4, columns, 2)
    if ink is Ink.BLOCKS:
        halves = np.asarray(groups.reshape(rows, 2, 2, columns, 2).any(axis=(2, 4)))
        return np.asarray(_HALVES[2 * halves[:, 0].astype(np.int64) + halves[:, 1]])
    codes = np.einsum("racb,ab->rc", groups.astype(np.uint32), _BITS)
    characters = (codes + np.uint32(_BRAILLE)).astype("<u4")
    characters[codes == 0] = ord(" ")
    return np.ascontiguousarray(characters).view("<U1").reshape(rows, columns)


def bars(
    low: NDArray[np.float32], high: NDArray[np.float32], rows: int, *, bottom: float, top: float
) -> NDArray[np.bool_]:
    """Return dots of columns: solid up to `low`, thinned out up to `high`, which is solid again.

    Parameters
    ----------
    low, high : ndarray of shape (2 * columns,)
        NaN: nothing there.
    rows : int
        Characters.
    bottom, top : float
        What the ends of the picture stand for.
    """
    n = 4 * rows
    scale = n / (top - bottom)
    lowest = np.rint((np.nan_to_num(low, nan=bottom) - bottom) * scale)
    highest = np.ceil((np.nan_to_num(high, nan=bottom) - bottom) * scale - 0.1)
    row = np.arange(n)[::-1, np.newaxis]
    column = np.arange(len(low))[np.newaxis]
    thin = np.asarray((row + column) % 2 == 0)
    return np.asarray((row < lowest) | ((row < highest) & thin) | (row == highest - 1))


def strokes(
    low: NDArray[np.float32],
    high: NDArray[np.float32],
    solid: NDArray[np.float32],
    rows: int,
    *,
    reach: float,
) -> NDArray[np.bool_]:
    """Return dots of a waveform about the middle: solid within `solid`, thinned out from `low` to `high`."""
    n = 4 * rows

    def place(value: NDArray[np.float32]) -> NDArray[np.float64]:
        return np.asarray(np.clip(np.floor((np.nan_to_num(value) / reach + 1.0) * 0.5 * n), 0, n - 1))

    row = np.arange(n)[::-1, np.newaxis]
    thin = (row + np.arange(len(low))[np.newaxis]) % 2 == 0
    first, last = place(low), place(high)
    known = ~np.isnan(low)
    inside = (row >= np.maximum(place(-solid), first)) & (row <= np.minimum(place(solid), last))
    edges = (row == first) | (row == last)
    return np.asarray(known & (inside | edges | ((row > first) & (row < last) & thin)))
