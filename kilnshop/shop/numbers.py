"""Gapless numbers: taken inside the caller's transaction under a row lock, given back if it fails."""

from django.db import transaction

from kilnshop.shop.models import NumberSeries


def next_number(*, kind: str, year: int, prefix: str) -> str:
    """The next number of `kind` in `year`, such as INV-2026-0001. Call inside transaction.atomic()."""
    if not transaction.get_connection().in_atomic_block:
        raise RuntimeError("next_number needs a transaction, or a failed paper would leave a gap")
    NumberSeries.objects.bulk_create([NumberSeries(kind=kind, year=year)], ignore_conflicts=True)
    series = NumberSeries.objects.select_for_update().get(kind=kind, year=year)
    series.last += 1
    series.save(update_fields=["last"])
    return "-".join(part for part in (prefix, str(year), f"{series.last:04d}") if part)
