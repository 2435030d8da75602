"""The one place where money is rounded."""

from decimal import ROUND_HALF_UP, Decimal, InvalidOperation

CENT = Decimal("0.01")


def to_decimal(value: object, places: int = 6) -> Decimal:
    """A Decimal from a number or text; a float passes through its shortest text."""
    try:
        number = value if isinstance(value, Decimal) else Decimal(str(value))
    except InvalidOperation:
        raise ValueError(f"value={value!r}: expected a number") from None
    if not number.is_finite():
        raise ValueError(f"value={value!r}: expected a finite number")
    return number.quantize(Decimal(1).scaleb(-places), ROUND_HALF_UP)


def cents(value: object) -> Decimal:
    """Round to cents, half away from zero."""
    return to_decimal(value, 2)


def percent_of(amount: Decimal, rate_pct: Decimal) -> Decimal:
    return cents(amount * rate_pct / 100)
