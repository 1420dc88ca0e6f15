"""Cells of a table that a spreadsheet would take for a formula, written so that it does not.

A note such as ``=HYPERLINK(...)`` is text to us and a command to whoever opens
the table in a spreadsheet. In every table that evalkit writes such a cell has
an apostrophe before it, which is taken off again when the table is read: in
memory, and in every figure and page, the text is what its author wrote.
"""

import re

__all__ = ["guarded", "unguarded"]

# The characters with which the common spreadsheets begin a formula, and their full-width forms
# (OWASP, "CSV Injection"); blanks before them do not help. Apostrophes count so that a text that
# begins with one comes back as it was.
_FORMULA = re.compile(r"'*\s*[=+\-@＝＋－＠]")


def guarded(cell: str) -> str:
    """Return what to write for a cell.

    Examples
    --------
    >>> guarded("=1+1"), guarded("loud"), guarded("'-")
    ("'=1+1", 'loud', "''-")
    """
    return f"'{cell}" if _FORMULA.match(cell) else cell


def unguarded(cell: str) -> str:
    """Return what a written cell stands for; a cell that needs no apostrophe keeps its own.

    Examples
    --------
    >>> unguarded("'=1+1"), unguarded("=1+1"), unguarded("'t was loud")
    ('=1+1', '=1+1', "'t was loud")
    """
    return cell[1:] if cell[:1] == "'" and _FORMULA.match(cell, 1) else cell
