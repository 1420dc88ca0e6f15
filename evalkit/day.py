"""The day that a box must get through: exposure, limits and the roles of a user's own labels.

`day.toml` of a dataset holds them; the person who builds the box sets them.
"""

import math
import tomllib
from collections.abc import Mapping
from dataclasses import dataclass, field
from pathlib import Path
from types import MappingProxyType
from typing import Any

from evalkit.errors import FileFault
from evalkit.names import check_name
from evalkit.segments import STANDARD_ROLES, Role

__all__ = ["BACKGROUND", "DEFAULT_DAY_TOML", "Day", "Exposure", "Limits", "read_day"]

# Whole numbers of TOML may be longer than a float can hold.
_MOST = 2**53

BACKGROUND = "background"
"""The class of reviewed time that is in no segment of a nuisance."""


@dataclass(frozen=True)
class Limits:
    """What the box must do."""

    calls_caught: float = 0.99
    """Least share of calls caught, above 0 and at most 1."""
    false_alarms_per_day: float = 0.2
    """Most false alarms a day, above 0."""
    response_s: float = 6.0
    """Longest 95th percentile of the response time, seconds, above 0."""


@dataclass(frozen=True)
class Exposure:
    """How much of one class a day brings: events or hours, exactly one of them."""

    label: str
    events_per_day: float | None
    hours_per_day: float | None


@dataclass(frozen=True)
class Day:
    """A day at the place where the box will stand."""

    limits: Limits = Limits()
    exposures: tuple[Exposure, ...] = ()
    roles: Mapping[str, Role] = field(default_factory=lambda: MappingProxyType({}))
    """Roles of the user's own labels."""
    call_gap_s: float = 5.0
    """Longest pause inside one call, seconds."""
    grace_s: float = 1.0
    """Time after a call, seconds, in which an alert that begins is still its doing."""

    def role(self, label: str) -> Role:
        """Return the role of `label`: a standard label's own, else the user's, else nuisance."""
        if label == BACKGROUND:
            return Role.BACKGROUND
        return STANDARD_ROLES.get(label) or self.roles.get(label, Role.NUISANCE)


DEFAULT_DAY_TOML = """\
# The day that the box must get through, and what is asked of it.
# Every figure below is an example to be replaced by your own count.

# Longest pause inside one call, in seconds (ringing cadences pause up to 4 s).
call_gap_s = 5.0
# An alert that begins this long after a call's end, in seconds, is still the call's doing.
grace_s = 1.0

[limits]
# Least share of calls caught.
calls_caught = 0.99
# Most false alarms in one day.
false_alarms_per_day = 0.2
# 95 % of calls must be announced within this time, in seconds.
response_s = 6.0

# How much of each class a day brings: either events_per_day (a segment of your labels counts as one
# event) or hours_per_day. A class that the day brings but no recording holds leaves the daily figure
# unknown: record some of it, or set it to 0 if it never happens.
[exposure.tap]
events_per_day = 200
[exposure.tool]
hours_per_day = 0.5
[exposure.traffic]
events_per_day = 50
# Time in which nothing of the above goes on.
[exposure.background]
hours_per_day = 7

# What your own labels mean: target, nuisance, stand-in, background or ignore.
# A label of your own that is not listed here counts as a nuisance.
[roles]
# "phone on the wall" = "ignore"
"""


def read_day(path: Path) -> Day:
    """Return the day that a TOML file describes; what it leaves out has the default.

    Raises
    ------
    FileFault
        For a file that cannot be read, is not TOML, or holds an unknown key
        or a value out of range: all faults together, each naming its key.
    """
    table = _read_toml(path)
    reader = _Reader()
    reader.known(table, "", ("call_gap_s", "grace_s", "limits", "exposure", "roles"))
    call_gap_s = reader.number(table, "", "call_gap_s", 5.0, low=0.0, high=60.0)
    grace_s = reader.number(table, "", "grace_s", 1.0, low=0.0, high=60.0)
    limits = _limits(reader, reader.table(table, "limits"))
    roles = _roles(reader, reader.table(table, "roles"))
    day = Day(limits, (), MappingProxyType(roles), call_gap_s, grace_s)
    exposures = _exposures(reader, reader.table(table, "exposure"), day)
    if reader.faults:
        lines = [f"{path}: {fault}" for fault in reader.faults]
        if len(lines) == 1:
            raise FileFault(lines[0])
        raise FileFault(f"{path}: {len(lines)} faults", details=lines)
    return Day(limits, exposures, MappingProxyType(roles), call_gap_s, grace_s)


class _Reader:
    """Takes values out of TOML tables and collects the faults on the way."""

    def __init__(self) -> None:
        self.faults: list[str] = []

    def known(self, table: Mapping[str, Any], prefix: str, keys: tuple[str, ...]) -> None:
        for key in table:
            if key not in keys:
                self.faults.append(f"unknown key {prefix}{key}; known here: {', '.join(keys)}")

    def table(self, table: Mapping[str, Any], key: str) -> Mapping[str, Any]:
        value = table.get(key, {})
        if isinstance(value, dict):
            return value
        self.faults.append(f"{key} must be a table, written as [{key}]")
        return {}

    def number(
        self,
        table: Mapping[str, Any],
        prefix: str,
        key: str,
        default: float,
        *,
        low: float,
        high: float = math.inf,
        above_low: bool = False,
    ) -> float:
        value = table.get(key, default)
        # A TOML true is an int to Python.
        if isinstance(value, bool) or not isinstance(value, int | float):
            self.faults.append(f"{prefix}{key} = {value!r} is not a number")
            return default
        if abs(value) > _MOST:
            value = math.inf if value > 0 else -math.inf
        if not math.isfinite(value) or value < low or value > high or (above_low and value == low):
            bound = f"above {low:g}" if above_low else f"at least {low:g}"
            bound += f" and at most {high:g}" if math.isfinite(high) else ""
            self.faults.append(f"{prefix}{key} = {value:g} is out of range: it must be {bound}")
            return default
        return float(value)


def _read_toml(path: Path) -> dict[str, Any]:
    try:
        return tomllib.loads(path.read_bytes().decode("utf-8-sig"))
    except OSError as error:
        raise FileFault(f"{path}: cannot be read: {error.strerror or error}") from error
    except UnicodeDecodeError as error:
        raise FileFault(f"{path}: not UTF-8 text") from error
    except (ValueError, RecursionError) as error:
        raise FileFault(f"{path}: not TOML: {error}") from error


def _limits(reader: _Reader, table: Mapping[str, Any]) -> Limits:
    default = Limits()
    reader.known(table, "limits.", ("calls_caught", "false_alarms_per_day", "response_s"))
    return Limits(
        reader.number(table, "limits.", "calls_caught", default.calls_caught, low=0, high=1, above_low=True),
        reader.number(
            table, "limits.", "false_alarms_per_day", default.false_alarms_per_day, low=0, above_low=True
        ),
        reader.number(table, "limits.", "response_s", default.response_s, low=0, above_low=True),
    )


def _roles(reader: _Reader, table: Mapping[str, Any]) -> dict[str, Role]:
    roles: dict[str, Role] = {}
    for label, value in table.items():
        if label in STANDARD_ROLES or label == BACKGROUND:
            reader.faults.append(f"roles.{label}: the role of this standard label is fixed")
            continue
        try:
            check_name(label, "label")
            roles[label] = Role(value)
        except ValueError as error:
            choices = ", ".join(Role)
            known = isinstance(value, str) and value in set(Role)
            reason = str(error) if known else f"{value!r} is no role; one of: {choices}"
            reader.faults.append(f"roles.{label}: {reason}")
    return roles


def _exposures(reader: _Reader, table: Mapping[str, Any], day: Day) -> tuple[Exposure, ...]:
    exposures: list[Exposure] = []
    keys = ("events_per_day", "hours_per_day")
    for label, entry in table.items():
        name = f"exposure.{label}"
        try:
            check_name(label, "label")
        except ValueError as error:
            reader.faults.append(f"{name}: {error}")
            continue
        if not isinstance(entry, dict):
            reader.faults.append(f"{name} must be a table with events_per_day or hours_per_day")
            continue
        reader.known(entry, f"{name}.", keys)
        given = [key for key in keys if key in entry]
        role = day.role(label)
        if label != BACKGROUND and role is not Role.NUISANCE:
            reader.faults.append(
                f"{name}: a label of role {role} has no exposure; only nuisances and {BACKGROUND}"
            )
        elif len(given) != 1:
            reader.faults.append(f"{name}: exactly one of events_per_day and hours_per_day is wanted")
        elif label == BACKGROUND and given != ["hours_per_day"]:
            reader.faults.append(f"{name}: background comes in hours_per_day, not in events")
        else:
            high = 24.0 if given == ["hours_per_day"] else math.inf
            value = reader.number(entry, f"{name}.", given[0], 0.0, low=0.0, high=high)
            events = value if given == ["events_per_day"] else None
            hours = value if given == ["hours_per_day"] else None
            exposures.append(Exposure(label, events, hours))
    return tuple(exposures)
