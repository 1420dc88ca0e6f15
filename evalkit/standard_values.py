"""Standard values of resistors, capacitors and knobs.

Resistors and capacitors come in the series of IEC 60063. Knobs come in one of
two rows, by country: 1 - 2.2 - 4.7, which is IEC 60063's E3, and 1 - 2 - 5,
which is no part of it (common practice, no source).
"""

import math
from enum import StrEnum

__all__ = ["Dielectric", "Series", "nearest_value", "timing_capacitors", "values_between"]

_MOST_FILM_OHM = 1e6
"""Above it dirt on the board leaks as much as the resistor passes (common practice, no source)."""
_MOST_ELECTROLYTIC_OHM = 220e3
"""Above it an electrolytic capacitor's own leakage counts (common practice, no source)."""


class Series(StrEnum):
    """A row of standard values."""

    E3 = "E3"
    E6 = "E6"
    E12 = "E12"
    E24 = "E24"
    E96 = "E96"
    ONE_TWO_FIVE = "1-2-5"


class Dielectric(StrEnum):
    """Kind of capacitor for timing; it limits the resistance beside it."""

    FILM = "film"
    ELECTROLYTIC = "electrolytic"

    @property
    def most_ohm(self) -> float:
        """Largest resistance that goes with it."""
        return _MOST_FILM_OHM if self is Dielectric.FILM else _MOST_ELECTROLYTIC_OHM


def timing_capacitors() -> tuple[tuple[float, Dielectric], ...]:
    """Return the capacitors for timing that shops keep, in farads, ascending (common practice, no source)."""
    return (
        *((farads, Dielectric.FILM) for farads in values_between(Series.E6, 100e-9, 4.7e-6)),
        *((farads, Dielectric.ELECTROLYTIC) for farads in values_between(Series.E6, 10e-6, 1e-3)),
    )


def values_between(series: Series, low: float, high: float) -> tuple[float, ...]:
    """Return the values of a series in [low, high], ascending.

    Examples
    --------
    >>> values_between(Series.E6, 1e-6, 4.7e-6)
    (1e-06, 1.5e-06, 2.2e-06, 3.3e-06, 4.7e-06)
    >>> values_between(Series.ONE_TWO_FIVE, 10e3, 100e3)
    (10000.0, 20000.0, 50000.0, 100000.0)
    """
    if not 0.0 < low <= high < math.inf:
        return ()
    decades = range(math.floor(math.log10(low)) - 1, math.ceil(math.log10(high)) + 1)
    # three digits name every value of E96, so going through their text leaves no trace of the power of ten
    values = (float(f"{step:g}e{decade}") for decade in decades for step in _steps(series))
    return tuple(v for v in values if low * (1.0 - 1e-9) <= v <= high * (1.0 + 1e-9))


def nearest_value(series: Series, wanted: float) -> float:
    """Return the value of a series that is nearest by ratio.

    Raises
    ------
    ValueError
        If `wanted` is not above 0 and finite.

    Examples
    --------
    >>> nearest_value(Series.E24, 345.8e3)
    360000.0
    """
    if not 0.0 < wanted < math.inf:
        raise ValueError(f"wanted={wanted} must be above 0 and finite")
    return min(values_between(series, wanted / 10.0, wanted * 10.0), key=lambda v: abs(math.log(v / wanted)))


def _steps(series: Series) -> tuple[float, ...]:
    """The values of a series from 1 to under 10."""
    if series is Series.ONE_TWO_FIVE:
        return (1.0, 2.0, 5.0)
    import eseries

    values = eseries.series(getattr(eseries, series.value))
    return tuple(v / values[0] for v in values)
