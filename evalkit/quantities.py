"""Values as the trade writes them: number, SI prefix, unit."""

__all__ = ["quantity"]


def quantity(value: float | None, unit: str, digits: int = 3) -> str:
    """Return a value with its SI prefix, `unknown` for None.

    Examples
    --------
    >>> quantity(0.0356, "V")
    '35.6 mV'
    >>> quantity(999.7, "ohm")
    '1 kohm'
    """
    from quantiphy import Quantity

    return "unknown" if value is None else Quantity(value, unit).render(form="si", prec=digits - 1)
