"""What the box would do with other values: changes of the board for one look, never written.

A change is told as ``group.key=value``, with the keys and the values of
`board.toml`, and goes through the same reader.
"""

import math
import re
import tempfile
from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from evalkit.board import Board
from evalkit.board_file import read_board
from evalkit.built import at_supply
from evalkit.errors import FileFault, WrongUse

__all__ = ["WhatIf", "what_if"]

_CHANGE = re.compile(r"\s*([a-z_]+)\.([a-z_0-9]+)\s*=\s*(.*\S)\s*")
_GAIN_POT = "amplifier.feedback_pot"
_DELAY_POTS = ("integrator.pot", "integrator.pot_measured")


@dataclass(frozen=True)
class WhatIf:
    """A board with a setting of its two knobs."""

    board: Board
    gain: float
    delay_s: float
    changes: tuple[str, ...]
    """As told, ``group.key=value``."""


def what_if(path: Path, board: Board, changes: Sequence[str], *, gain: float, delay_s: float) -> WhatIf:
    """Return a board with some values changed, and what its knobs then do.

    The knobs keep their resistance, so the delay follows a changed capacitor, gate or supply, and the gain a
    changed leg. A pot that is among the changes is what its knob is turned to: ``integrator.pot=47k``. What a
    divider makes from the supply, and what was measured, goes with a changed supply.

    Parameters
    ----------
    path : Path
        The `board.toml` of `board`.
    board : Board
    changes : sequence of str
        ``group.key=value``; the last of several for one key counts.
    gain, delay_s : float
        Setting on the board as it is.

    Returns
    -------
    WhatIf

    Raises
    ------
    WrongUse
        For a change that cannot be read, an unknown key, or values with which no board works.
    FileFault
        If `path` cannot be read.
    """
    told = dict(_parsed(change) for change in changes)
    if not told:
        return WhatIf(board, gain, delay_s, ())
    changed = _changed_board(path, {**_with_supply(board, told), **told})
    fixed_ohm, position_ohm = _gain_knob(board, gain)
    if _GAIN_POT in told:
        position_ohm = changed.amplifier.feedback_pot.typ
    if "amplifier.feedback_fixed" in told:
        fixed_ohm = changed.amplifier.feedback_fixed.typ
    new_gain = 1.0 + (fixed_ohm + position_ohm) / changed.amplifier.leg_resistor.typ
    fixed_ohm, position_ohm = _delay_knob(board, delay_s)
    if any(key in told for key in _DELAY_POTS):
        measured = changed.integrator.pot_measured
        position_ohm = (measured or changed.integrator.pot).typ
    if "integrator.fixed" in told:
        fixed_ohm = changed.integrator.fixed.typ
    new_delay_s = changed.delay_s(fixed_ohm + position_ohm)
    words = tuple(f"{key}={value}" for key, value in told.items())
    return WhatIf(changed, new_gain, new_delay_s, words)


def _gain_knob(board: Board, gain: float) -> tuple[float, float]:
    """Fixed part and knob's resistance; a gain that the knob does not reach counts as if it did."""
    fixed_ohm = board.amplifier.feedback_fixed.typ
    return fixed_ohm, board.gain_resistance_ohm(gain) - fixed_ohm


def _delay_knob(board: Board, delay_s: float) -> tuple[float, float]:
    fixed_ohm = board.integrator.fixed.typ
    return fixed_ohm, delay_s / board.delay_s(1.0) - fixed_ohm


def _parsed(change: str) -> tuple[str, str]:
    match = _CHANGE.fullmatch(change)
    if match is None:
        raise WrongUse(f"--set {change}: wanted is group.key=value, such as integrator.pot=47k")
    return f"{match[1]}.{match[2]}", match[3]


def _with_supply(board: Board, told: dict[str, str]) -> dict[str, str]:
    """What goes with a changed supply, as changes."""
    from quantiphy import InvalidNumber, Quantity

    try:
        volts = float(Quantity(told["supply.voltage"]))
    except (KeyError, InvalidNumber):
        # no such change, or one that the board's reader refuses with its reason
        return {}
    if not 0.0 < volts < math.inf:
        return {}
    moved = at_supply(board, volts)
    found = {
        "amplifier.bias": moved.amplifier.bias,
        "comparator.reference_measured": moved.comparator.reference_measured,
        "comparator.output_high_measured": moved.comparator.output_high_measured,
        "gate.positive_measured": moved.gate.positive_measured,
        "gate.negative_measured": moved.gate.negative_measured,
    }
    return {key: f"{value.typ!r} V" for key, value in found.items() if value is not None}


def _changed_board(path: Path, told: dict[str, str]) -> Board:
    """The board of a copy of the file in which the values stand."""
    import tomlkit

    try:
        document: Any = tomlkit.parse(path.read_text(encoding="utf-8-sig"))
    except (OSError, ValueError) as error:
        raise FileFault(f"{path}: cannot be read: {error}") from error
    for key, value in told.items():
        group, name = key.split(".")
        if isinstance(document.get(group, {}).get(name), list):
            raise WrongUse(f"--set {key}: is a list; set gate.positive_measured or gate.negative_measured")
        document.setdefault(group, tomlkit.table())[name] = {"true": True, "false": False}.get(value, value)
    with tempfile.TemporaryDirectory(prefix="evalkit-") as folder:
        copy = Path(folder) / "board.toml"
        copy.write_text(tomlkit.dumps(document), encoding="utf-8")
        try:
            board = read_board(copy)
        except FileFault as fault:
            words = (fault.details or (str(fault),))[0].removeprefix(f"{copy}: ")
            raise WrongUse(f"--set {', '.join(f'{k}={v}' for k, v in told.items())}: {words}") from fault
    if not math.isfinite(board.delay_s(1.0)):
        raise WrongUse(f"--set {', '.join(told)}: the gate never fires")
    return board
