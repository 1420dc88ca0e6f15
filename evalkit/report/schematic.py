"""The box's schematic, drawn with a board's values."""

from collections.abc import Collection
from typing import Any

from evalkit.board import Board, HoldKind, Value, Wiring
from evalkit.report.drawing import INK, Picture, canvas, finish
from evalkit.report.wording import quantity
from evalkit.standard_values import Series, nearest_value, values_between

__all__ = ["DESIGNATORS", "bias_resistors", "hysteresis_resistors", "schematic_picture"]

DESIGNATORS = {
    "R1": ("pickup", "load"),
    "R2": ("amplifier", "feedback_fixed"),
    "RV1": ("amplifier", "feedback_pot"),
    "R3": ("amplifier", "leg_resistor"),
    "C1": ("amplifier", "leg_capacitor"),
    "C2": ("rectifier", "coupling"),
    "C3": ("rectifier", "storage"),
    "R4": ("rectifier", "bleed"),
    "R5": ("amplifier", "output_resistor"),
    "R7": ("comparator", "divider_top"),
    "R8": ("comparator", "divider_bottom"),
    "R6": ("integrator", "fixed"),
    "RV2": ("integrator", "pot"),
    "C4": ("integrator", "capacitor"),
    "R11": ("integrator", "discharge_resistor"),
    "R9": ("hold", "resistor"),
    "C5": ("hold", "capacitor"),
    "R10": ("output", "base_resistor"),
}
"""Group and key of `board.toml` of each part on the schematic."""

_WIDTH_IN, _HEIGHT_IN = 7.6, 3.35
_FONT_PT = 6.4
_LOWER = -8.8
"""Height of the lower row."""
_USUAL_BIAS_OHM = 10e3
_BIAS_OFF = 0.02
"""A bias this near to what is wanted is as good; else other values than the usual ones are looked for."""
_BIAS_BESIDE_LOAD = 0.02
"""The divider may be so much of the pickup's load, which it adds to."""
_LEAST_DIVIDER_OHM = 10e3
"""So that it takes about a milliampere at the most."""
_Place = tuple[float, float]


def schematic_picture(board: Board, *, unknown: Collection[str] = (), name: str = "schematic") -> Picture:
    """Draw the box.

    Parameters
    ----------
    board : Board
    unknown : collection of str
        Designators whose value is not known and drawn as a question mark.
    name : str
        Stem of the picture's files.
    """
    import schemdraw

    with canvas(_WIDTH_IN, _HEIGHT_IN) as figure:
        axes = figure.subplots()
        axes.set_axis_off()
        drawing = schemdraw.Drawing(canvas=axes, show=False)
        drawing.config(unit=2.0, fontsize=_FONT_PT, lw=0.9, color=INK.text, font="DejaVu Sans")
        pen = _Pen(drawing, board, frozenset(unknown))
        for stage in (pen.amplifier, pen.rectifier, pen.comparator, pen.integrator, pen.gate, pen.output):
            stage()
        drawing.draw(show=False)
        axes.set_aspect("equal")
        axes.set_xlim(-0.6, 31.1)
        timer = board.hold.kind in (HoldKind.ONE_SHOT, HoldKind.ONE_SHOT_HELD)
        axes.set_ylim(_LOWER - (4.4 if timer else 2.7), 2.3)
        return finish(figure, name, "Schematic", _alt(board))


class _Pen:
    """Draws stage by stage: signal to the comparator in the upper row, gate to load in the lower one."""

    def __init__(self, drawing: Any, board: Board, unknown: frozenset[str]) -> None:
        import schemdraw.elements as elements
        import schemdraw.logic as logic

        self.drawing, self.board, self.unknown = drawing, board, unknown
        # half of its classes are annotated
        self.elm: Any = elements
        self.logic: Any = logic

    def amplifier(self) -> None:
        """Pickup with its load and clamp, and the amplifier with the sensitivity knob."""
        e, pickup = self.elm, self.board.pickup
        self.part(e.Crystal, (0.3, 0.0), (0.3, -1.8), f"BZ1\n{quantity(pickup.capacitance.typ, 'F')}")
        self.ground((0.3, -1.8))
        self.wire((0.3, 0.0), (6.0, 0.0))
        self.valued("R1", "ohm", (2.6, 0.0), (2.6, -1.8))
        self.dot((2.6, 0.0))
        self.bias((2.6, -1.8))
        self.part(e.Diode, (4.9, -1.8), (4.9, 0.0), "D1")
        self.ground((4.9, -1.8))
        self.dot((4.9, 0.0))
        self.point("TP1", (4.9, 0.0))
        amplifier = self.triangle((6.0, 0.0), "U1A")
        out, low = amplifier.out, amplifier.in1
        self.wire(low, (5.7, low.y), (5.7, -3.0))
        self.valued("R3", "ohm", (5.7, -3.0), (5.7, -4.7))
        if self.board.amplifier.leg_capacitor is None:
            self.ground((5.7, -4.7))
        else:
            self.valued("C1", "F", (5.7, -4.7), (5.7, -6.0))
            self.ground((5.7, -6.0))
        self.dot((5.7, -3.0))
        self.valued("R2", "ohm", (5.7, -3.0), (7.8, -3.0))
        self.valued("RV1", "ohm", (7.8, -3.0), (9.9, -3.0), kind=e.ResistorVar)
        self.wire((9.9, -3.0), (9.9, out.y))
        self.wire(out, (10.4, out.y))
        self.point("TP2", (9.9, out.y))
        self.y = out.y

    def bias(self, at: _Place) -> None:
        """What the pickup's load hangs on: a divider from the supply, if ordinary values make it."""
        told = f"bias {quantity(self.board.amplifier.bias.typ, 'V')}"
        pair = bias_resistors(self.board)
        if pair is None:
            self.note((at[0], at[1] - 0.4), told)
            return
        node = (at[0], at[1] - 1.6)
        self.wire(at, node)
        self.dot(node)
        self.note((at[0] + 0.3, at[1] - 0.8), told, "left")
        self.part(self.elm.Resistor, node, (node[0] - 2.0, node[1]), f"R14\n{_ohms(pair[0])}")
        self.supply((node[0] - 2.0, node[1]))
        self.part(self.elm.Resistor, node, (node[0], node[1] - 1.8), f"R15\n{_ohms(pair[1])}")
        self.ground((node[0], node[1] - 1.8))

    def rectifier(self) -> None:
        """Resistor behind the amplifier, coupling capacitor, both diodes, storage with its bleed."""
        e, y = self.elm, self.y
        if self.board.amplifier.output_resistor is None:
            self.wire((10.4, y), (12.1, y))
        else:
            self.valued("R5", "ohm", (10.4, y), (12.1, y))
        self.valued("C2", "F", (12.1, y), (13.9, y))
        self.part(e.Diode, (13.9, y - 1.8), (13.9, y), "D2")
        self.ground((13.9, y - 1.8))
        self.dot((13.9, y))
        self.part(e.Diode, (13.9, y), (15.5, y), "D3")
        self.valued("C3", "F", (15.8, y), (15.8, y - 1.8))
        self.valued("R4", "ohm", (18.2, y), (18.2, y - 1.8))
        for x in (15.8, 18.2):
            self.dot((x, y))
            self.ground((x, y - 1.8))
        self.wire((15.5, y), (18.7, y))
        self.point("TP3", (17.0, y))

    def comparator(self) -> None:
        """Comparator with the reference's divider and the two resistors that make its hysteresis."""
        e, y = self.elm, self.y
        series_ohm, feedback_ohm = hysteresis_resistors(self.board)
        self.part(e.Resistor, (18.7, y), (20.7, y), f"R12\n{_ohms(series_ohm)}")
        self.wire((20.7, y), (21.4, y))
        comparator = self.triangle((21.4, y), "U1B")
        out, low = comparator.out, comparator.in1
        self.dot((21.0, y))
        self.wire((21.0, y), (21.0, y + 1.3))
        self.part(e.Resistor, (21.0, y + 1.3), (24.1, y + 1.3), f"R13\n{_ohms(feedback_ohm)}")
        self.wire((24.1, y + 1.3), (24.1, out.y), out)
        self.dot((24.1, out.y))
        self.wire(low, (21.0, low.y), (21.0, -3.6))
        self.valued("R8", "ohm", (21.0, -3.6), (21.0, -5.4))
        self.ground((21.0, -5.4))
        self.valued("R7", "ohm", (21.0, -3.6), (23.1, -3.6))
        self.supply((23.1, -3.6))
        self.point("TP4", (21.0, -3.6), "left")
        self.wire((24.1, out.y), (24.7, out.y))
        self.point("TP5", (24.5, out.y), "bottom")
        self.y = out.y

    def integrator(self) -> None:
        """Fixed resistor, delay knob and capacitor, with a discharge path if there is one."""
        e, y = self.elm, self.y
        self.valued("R6", "ohm", (24.7, y), (26.7, y))
        self.valued("RV2", "ohm", (26.7, y), (28.7, y), kind=e.ResistorVar)
        self.valued("C4", "F", (29.0, y), (29.0, y - 1.8))
        self.ground((29.0, y - 1.8))
        self.dot((29.0, y))
        self.wire((28.7, y), (30.1, y))
        self.point("TP6", (29.6, y))
        self.note((30.5, y), "A")
        if self.board.integrator.discharge_resistor is not None:
            self.wire((28.7, y), (28.7, y + 1.9))
            self.part(e.Diode, (28.7, y + 1.9), (26.7, y + 1.9), "D6")
            self.valued("R11", "ohm", (26.7, y + 1.9), (24.7, y + 1.9))
            self.wire((24.7, y + 1.9), (24.7, y))

    def gate(self) -> None:
        """Schmitt gate and what keeps the alert on."""
        e, y = self.elm, _LOWER
        kind = self.board.hold.kind
        self.note((0.2, y), "A")
        self.wire((0.6, y), (1.6, y))
        x = self.inverter((1.6, y), "U2A")
        wiring = "inputs tied" if self.board.gate.wiring is Wiring.TIED else "other input to +"
        self.note((2.6, y - 1.5), f"Schmitt gates,\n{wiring}")
        self.wire((x, y), (x + 0.9, y))
        if kind in (HoldKind.ONE_SHOT, HoldKind.ONE_SHOT_HELD):
            self.point("TP7", (x + 0.4, y), "bottom")
            self.timer((x + 0.9, y), "by its edge" if kind is HoldKind.ONE_SHOT else "while low")
            return
        x = self.inverter((x + 0.9, y), "U2B")
        self.wire((x, y), (x + 0.9, y))
        self.point("TP7", (x + 0.4, y), "bottom")
        if kind is HoldKind.NONE:
            self.x = x + 0.9
            return
        x += 0.9
        self.part(e.Diode, (x, y), (x + 1.7, y), "D4")
        self.valued("C5", "F", (x + 2.0, y), (x + 2.0, y - 1.8))
        self.valued("R9", "ohm", (x + 4.4, y), (x + 4.4, y - 1.8))
        for at in (x + 2.0, x + 4.4):
            self.dot((at, y))
            self.ground((at, y - 1.8))
        self.wire((x + 1.7, y), (x + 5.4, y))
        x = self.inverter((x + 5.4, y), "U2C")
        self.wire((x, y), (x + 0.9, y))
        self.x = self.inverter((x + 0.9, y), "U2D")

    def timer(self, at: _Place, trigger: str) -> None:
        """A 555 as a one-shot."""
        e = self.elm
        sides = {"TRIG": "left", "OUT": "right", "TIME": "bottom"}
        pins = [e.IcPin(side=side, anchorname=name) for name, side in sides.items()]
        box = self.drawing.add(e.Ic(pins=pins, size=(4.6, 1.4)).right().anchor("TRIG").at(at))
        self.note((box.TRIG.x + 2.3, at[1]), f"555, triggered\n{trigger}")
        foot = (box.TIME.x, box.TIME.y - 0.9)
        self.wire((foot[0], box.TIME.y), foot)
        self.dot(foot)
        self.valued("C5", "F", foot, (foot[0], foot[1] - 1.2))
        self.ground((foot[0], foot[1] - 1.2))
        self.valued("R9", "ohm", foot, (foot[0] + 2.2, foot[1]))
        self.supply((foot[0] + 2.2, foot[1]))
        self.x = float(box.OUT.x)

    def output(self) -> None:
        """Transistor and load, and where the power comes from."""
        e, y, x = self.elm, _LOWER, self.x
        o = self.board.output
        self.wire((x, y), (x + 0.8, y))
        self.point("TP8", (x + 0.4, y), "bottom")
        self.valued("R10", "ohm", (x + 0.8, y), (x + 2.9, y))
        transistor = self.drawing.add(e.BjtNpn().right().anchor("base").at((x + 2.9, y)))
        foot, head = transistor.emitter, transistor.collector
        self.note((foot.x + 0.3, y), "Q1", "left")
        self.ground(foot)
        top = (head.x, head.y + 2.0)
        self.part(e.RBox, (head.x, head.y), top, f"{o.load}\n{quantity(o.current.typ, 'A')}")
        self.supply(top)
        if o.flyback_diode:
            aside = head.x - 0.9
            self.part(e.Diode, (aside, head.y), (aside, top[1]), "")
            self.note((aside - 0.35, head.y + 1.0), "D5", "right")
            self.wire((aside, head.y), (head.x, head.y))
            self.wire((aside, top[1]), top)
        at = x + 8.0
        self.part(e.Fuse, (at, y + 1.7), (at, y), "F1, fuse in a\nbattery's lead")
        self.part(
            e.Battery, (at, y), (at, y - 1.6), f"supply\n{quantity(self.board.supply.voltage.typ, 'V')}"
        )
        self.ground((at, y - 1.6))
        self.supply((at, y + 1.7))

    def valued(self, ref: str, unit: str, start: _Place, end: _Place, *, kind: Any = None) -> None:
        """A part of the board between two places, with its designator and value."""
        group, key = DESIGNATORS[ref]
        value = getattr(getattr(self.board, group), key)
        assert isinstance(value, Value)
        shown = quantity(value.typ, unit).replace("ohm", "\N{GREEK CAPITAL LETTER OMEGA}")
        shown = "?" if ref in self.unknown else shown
        element = kind or (self.elm.Capacitor if unit == "F" else self.elm.Resistor)
        self.part(element, start, end, f"{ref}\n{shown}")

    def part(self, kind: Any, start: Any, end: Any, label: str) -> None:
        element = kind().at(start).to(end)
        # beside an upright part, above a lying one
        upright = abs(start[0] - end[0]) < 1e-6
        self.drawing.add(element)
        if label:
            middle = (0.5 * (start[0] + end[0]), 0.5 * (start[1] + end[1]))
            # a box is wider than a zigzag, and an arrow goes through a knob
            away = 0.62 if kind in (self.elm.RBox, self.elm.ResistorVar) else 0.42
            if upright:
                self.note((middle[0] + away, middle[1]), label, "left")
            else:
                self.note((middle[0], middle[1] + away), label, "center", "bottom")

    def inverter(self, at: _Place, ref: str) -> float:
        """A Schmitt gate as an inverter; returns where its output is."""
        gate = self.drawing.add(self.logic.SchmittNot(leads=False).right().anchor("in1").at(at))
        self.note((at[0] + 0.6, at[1] + 0.9), ref)
        return float(gate.out.x)

    def triangle(self, at: _Place, ref: str) -> Any:
        """An amplifier whose upper, non-inverting input is there."""
        found = self.drawing.add(self.elm.Opamp(leads=False).right().flip().anchor("in2").at(at))
        self.note((at[0] + 1.05, found.out.y), ref)
        return found

    def point(self, ref: str, at: Any, side: str = "top") -> None:
        """A test point."""
        self.drawing.add(self.elm.Dot(open=True, radius=0.14).at(at).color(INK.miss))
        dx, dy, halign, valign = {
            "top": (0.0, 0.25, "center", "bottom"),
            "bottom": (0.0, -0.25, "center", "top"),
            "left": (-0.25, 0.0, "right", "center"),
        }[side]
        label = self.elm.Label().at((at[0] + dx, at[1] + dy))
        self.drawing.add(label.label(ref, halign=halign, valign=valign).color(INK.miss))

    def note(self, at: Any, text: str, halign: str = "center", valign: str = "center") -> None:
        self.drawing.add(self.elm.Label().at(at).label(text, halign=halign, valign=valign))

    def wire(self, *places: Any) -> None:
        for start, end in zip(places, places[1:]):
            self.drawing.add(self.elm.Line().at(start).to(end))

    def dot(self, at: Any) -> None:
        self.drawing.add(self.elm.Dot(radius=0.07).at(at))

    def ground(self, at: Any) -> None:
        self.drawing.add(self.elm.Ground().at(at))

    def supply(self, at: Any) -> None:
        self.drawing.add(self.elm.Vdd().at(at).label("+"))


def hysteresis_resistors(board: Board) -> tuple[float, float]:
    """Return R12 and R13: a large R12, so that R13 takes little from the storage capacitor (common practice).

    Their ratio is that of the comparator's swing to its hysteresis; R13 is of E12, which reaches 10 Mohm.
    """
    swing_v = board.comparator_high_v - board.comparator.output_low.typ
    series_ohm = 100e3
    return series_ohm, nearest_value(Series.E12, series_ohm * swing_v / board.comparator.hysteresis.typ)


def bias_resistors(board: Board) -> tuple[float, float] | None:
    """Return R14, from the supply, and R15, to ground, of E24: they make the bias; None where none do.

    R15 is 10 kohm where that serves (common practice).
    """
    share = board.amplifier.bias.typ / board.supply.voltage.typ
    if not 0.0 < share < 1.0:
        return None
    ranked = []
    for bottom in values_between(Series.E24, 1e3, 100e3):
        top = nearest_value(Series.E24, bottom * (1.0 / share - 1.0))
        off = abs(bottom / (top + bottom) / share - 1.0)
        light = top * bottom / (top + bottom) <= _BIAS_BESIDE_LOAD * board.pickup.load.typ
        if light and top + bottom >= _LEAST_DIVIDER_OHM and top <= 1e6:
            usual = bottom == _USUAL_BIAS_OHM and off <= _BIAS_OFF
            ranked.append((not usual, off, top, bottom))
    if not ranked:
        return None
    _, _, top, bottom = min(ranked)
    return top, bottom


def _ohms(value: float) -> str:
    return quantity(value, "\N{GREEK CAPITAL LETTER OMEGA}")


def _alt(board: Board) -> str:
    """The signal's way in words."""
    hold = "" if board.hold.kind is HoldKind.NONE else f", a hold of {board.hold_s:.2f} s"
    return (
        f"Pickup, amplifier with gain {board.amplifier.gain_min:.1f} to {board.amplifier.gain_max:.1f}, "
        f"two-diode rectifier, comparator at {board.reference_v:.2f} V, integrator, Schmitt gate{hold}, "
        f"{board.output.load} behind a transistor, on {board.supply.voltage.typ:g} V."
    )
