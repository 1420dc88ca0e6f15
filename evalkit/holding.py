"""How long the alert should go on: over the pauses of a call, and not much beyond its end."""

import math
from dataclasses import dataclass, replace

import numpy as np

from evalkit.board import Board, Hold, HoldKind, Wiring
from evalkit.crossings import Integrator
from evalkit.dataset import Dataset, Recording
from evalkit.day import Day
from evalkit.segments import Role, Span, merge_spans
from evalkit.standard_values import Series, timing_capacitors, values_between

__all__ = ["Cadence", "HoldAdvice", "cadence_of", "fitting_hold", "hold_factor", "recommended_hold"]

_CALLS_BRIDGED = 0.95
"""Share of the labelled calls whose longest pause is to be bridged."""
_SPARE_SIGMAS = 2.0
_NOTICEABLE_S = 1.0
"""Hold where no call pauses: only so that a short alert is noticed (common practice, no source)."""
_FITS = (0.95, 1.25)
"""A board's own hold is kept from so much to so much of the advised one. The lower end is a step of E24 and
within the 2 sigma to spare; by how much the upper outlasts a call, nobody minds."""
_CLOSE = 1.06
"""Holds this little above the wanted one are as good as each other."""
_LEAST_HOLD_OHM = 10e3
"""Lighter than this a 4093 class of gate cannot charge it quickly (common practice, no source)."""


@dataclass(frozen=True)
class Cadence:
    """How the labelled calls ring."""

    n_calls: int
    """Calls that are wholly in reviewed time."""
    ring_s: float
    """Longest ring."""
    pause_s: float
    """Longest pause inside a call that 95 % of the calls do not exceed; 0: no call pauses."""
    gap_s: float
    """Shortest time from a call's end to the next call's start; inf where no recording has two."""


@dataclass(frozen=True)
class HoldAdvice:
    """A hold and why."""

    hold_s: float | None
    """None: no labelled call to take it from."""
    bridges: bool
    """Whether an alert of this kind lasts from ring to ring."""
    reason: str
    """One or two sentences."""


def cadence_of(dataset: Dataset) -> Cadence | None:
    """Return the cadence of a dataset's calls; None where none is wholly in reviewed time."""
    longest_pauses: list[float] = []
    rings: list[float] = []
    gaps: list[float] = []
    for recording in dataset.recordings:
        calls = _ring_spans(recording, dataset.day, dataset.board.warmup_s)
        for spans in calls:
            longest_pauses.append(max((b.start_s - a.end_s for a, b in zip(spans, spans[1:])), default=0.0))
            rings += [span.end_s - span.start_s for span in spans]
        gaps += [b[0].start_s - a[-1].end_s for a, b in zip(calls, calls[1:])]
    if not longest_pauses:
        return None
    longest_pauses.sort()
    rank = math.ceil(round(_CALLS_BRIDGED * len(longest_pauses), 9))
    return Cadence(len(longest_pauses), max(rings), longest_pauses[rank - 1], min(gaps, default=math.inf))


def recommended_hold(
    cadence: Cadence | None, board: Board, *, delay_s: float, response_s: float
) -> HoldAdvice:
    """Return a hold that bridges the pauses of a call and ends soon after it.

    From a ring's end the gate lets go after tau ln(a/b) at the soonest, and
    fires again `response_s` after the next ring's start; the hold must last
    from the one to the other, in 97.7 % of boards (2 sigma of the hold's own
    parts, whose min and max are read as 3 sigma).

    Parameters
    ----------
    cadence : Cadence or None
        Of the labelled calls.
    board : Board
        Kind of hold, gate, and the hold's parts with their tolerances.
    delay_s : float
        The integrator's delay.
    response_s : float
        Time within which nearly all rings fire the gate, at least the delay.

    Returns
    -------
    HoldAdvice
    """
    kind = board.hold.kind
    if kind is HoldKind.NONE:
        return HoldAdvice(0.0, False, "This board has no hold: the alert lasts as long as the gate is on.")
    if cadence is None:
        return HoldAdvice(
            None, False, "No call is wholly in reviewed time, so there is no cadence to take the hold from."
        )
    if cadence.pause_s == 0.0:
        return HoldAdvice(
            _NOTICEABLE_S,
            True,
            f"No labelled call pauses, so there is nothing to bridge: {_NOTICEABLE_S:g} s only makes a short "
            "alert noticeable.",
        )
    if kind is not HoldKind.AFTER_RELEASE:
        period_s = cadence.ring_s + cadence.pause_s
        return HoldAdvice(
            period_s,
            False,
            f"A {kind} hold is not renewed by the next ring, so no length of it bridges every pause; this is "
            f"the longest time from ring to ring ({period_s:.2f} s). An after-release hold bridges.",
        )
    gate = Integrator.of_board(board)
    emptying_s = float(gate.emptying_s(gate.tau_s(np.array(delay_s))))
    release_s = emptying_s * math.log(gate.fire_fraction / gate.release_fraction)
    fires_s = max(response_s, delay_s)
    needed_s = cadence.pause_s + fires_s - release_s
    hold_s = needed_s / (1.0 - _SPARE_SIGMAS * _hold_sigma(board))
    reason = (
        f"Calls pause up to {cadence.pause_s:.2f} s between rings. The gate lets go {release_s:.2f} s after "
        f"a ring at the soonest and fires {fires_s:.2f} s into the next, which leaves {needed_s:.2f} s "
        f"to bridge; {hold_s:.2f} s does it with parts at 2 sigma of their tolerance, and "
        "is about how long the alert outlasts a call."
    )
    if hold_s >= cadence.gap_s:
        reason += (
            f" But calls follow each other after {cadence.gap_s:.2f} s: the second of two such calls is "
            "then not announced anew."
        )
    return HoldAdvice(hold_s, True, reason)


def fitting_hold(board: Board, cadence: Cadence | None, *, delay_s: float, response_s: float) -> Hold:
    """Return the board's own hold if it is about what `recommended_hold` advises, else standard values.

    Parameters
    ----------
    board, cadence, delay_s, response_s
        As of `recommended_hold`.

    Returns
    -------
    Hold
        R of E24 and C of E6, each with the tolerance of the part in its place; the board's own where it fits,
        where nothing is advised, or where no standard values hold so long.
    """
    wanted_s = recommended_hold(cadence, board, delay_s=delay_s, response_s=response_s).hold_s
    if not wanted_s or _FITS[0] * wanted_s <= board.hold_s <= _FITS[1] * wanted_s:
        return board.hold
    factor = hold_factor(board)
    ranked = []
    for farads, kind in timing_capacitors():
        wanted_ohm = wanted_s / (factor * farads)
        enough = [r for r in values_between(Series.E24, _LEAST_HOLD_OHM, kind.most_ohm) if r >= wanted_ohm]
        if enough:
            # the board's own capacitor if it can; little above what is wanted, or not at all
            other = not math.isclose(farads, board.hold.capacitor.typ, rel_tol=1e-6)
            ranked.append(((enough[0] / wanted_ohm > _CLOSE, other, farads), enough[0], farads))
    if not ranked:
        return board.hold
    _, ohm, farads = min(ranked)
    resistor, capacitor = board.hold.resistor, board.hold.capacitor
    return replace(board.hold, resistor=resistor.refitted(ohm), capacitor=capacitor.refitted(farads))


def hold_factor(board: Board) -> float:
    """Return hold / (R C): ln((VDD - Vd)/VT-) after release, ln 3 for a 555, 0 without a hold."""
    h = board.hold
    if h.kind is HoldKind.NONE:
        return 0.0
    return board.hold_s / (h.resistor.typ * h.capacitor.typ)


def _ring_spans(recording: Recording, day: Day, warmup_s: float) -> list[tuple[Span, ...]]:
    """The rings of each whole call, in order."""
    targets = {s.label for s in recording.segments if day.role(s.label) is Role.TARGET}
    rings = [s for s in recording.segments if s.label in targets]
    return [
        merge_spans(
            Span(s.start_s, s.end_s) for s in rings if call.start_s <= s.start_s and s.end_s <= call.end_s
        )
        for call in recording.calls(target_labels=targets, warmup_s=warmup_s, call_gap_s=day.call_gap_s)
        if not call.cut
    ]


def _hold_sigma(board: Board) -> float:
    """Relative sigma of an after-release hold towards shorter ones: R, C, diode drop, VT-."""
    h, g = board.hold, board.gate
    supply_v = board.supply.voltage.typ
    typical = math.log((supply_v - h.diode_drop.typ) / board.gate_negative_v)
    rows = g.negative_one_input if g.wiring is Wiring.ONE_INPUT else g.negative_tied
    if g.negative_measured is not None:
        highest = g.negative_measured.high / g.negative_measured.typ
    else:
        highest = float(np.interp(supply_v, g.supplies_v, [row.high / row.typ for row in rows]))
    shares = [
        1.0 - h.resistor.low / h.resistor.typ,
        1.0 - h.capacitor.low / h.capacitor.typ,
        1.0 - math.log((supply_v - h.diode_drop.high) / board.gate_negative_v) / typical,
        1.0 - math.log((supply_v - h.diode_drop.typ) / (board.gate_negative_v * highest)) / typical,
    ]
    # at most doubled: with parts as loose as that, a longer hold is no answer
    return min(0.25, math.hypot(*shares) / 3.0)
