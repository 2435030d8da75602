"""How the shop's ready dates fared: kept, moved in time, or broken."""

import datetime as dt
import itertools
from collections.abc import Sequence
from dataclasses import dataclass

from django.db.models import Max
from django.utils import timezone

from kilnshop.orders.models import Order, Promise

KEPT, MOVED, BROKEN, OPEN = "kept", "moved", "broken", "open"


@dataclass(frozen=True)
class Fared:
    """One order's promises, oldest first, and what came of them."""

    order: Order
    promises: Sequence[Promise]
    ready_on: dt.date | None
    outcome: str

    @property
    def moves(self) -> list[tuple[Promise, dt.date]]:
        """Each later promise with the day that was promised before it."""
        rows = self.promises
        return [(new, old.ready_on) for old, new in itertools.pairwise(rows)]

    @property
    def late_days(self) -> int:
        """Days from the first promised day to the day it was ready."""
        return max(0, (self.ready_on - self.promises[0].ready_on).days) if self.ready_on else 0


def outcome(days: Sequence[tuple[dt.date, dt.date]], ready_on: dt.date | None, today: dt.date) -> str:
    """What came of promises given as (made on, promised for), oldest first.

    Broken: a promised day passed while it stood and the wood was not ready, also when a new day was named
    afterwards. Moved: a later day was named in time. Promises made once the wood was ready do not count.
    """
    told = [pair for pair in days if ready_on is None or pair[0] < ready_on] or list(days[:1])
    for (_, promised), (replaced, _) in zip(told, [*told[1:], (ready_on or today, today)], strict=True):
        if promised < replaced:
            return BROKEN
    if ready_on is None:
        return OPEN
    return MOVED if max(promised for _, promised in told) > told[0][1] else KEPT


def fared(*, since: dt.date, today: dt.date) -> list[Fared]:
    """Every order whose last promise falls on or after a day, the latest first."""
    orders = (
        Order.objects.filter(cancelled_at=None)
        .annotate(last_promised=Max("promises__ready_on"))
        .filter(last_promised__gte=since)
        .select_related("customer")
        .prefetch_related("promises__made_by", "lots__charge_lots__charge")
        .order_by("-last_promised", "-pk")
    )
    found = []
    for order in orders:
        promises = sorted(order.promises.all(), key=lambda promise: (promise.made_at, promise.pk))
        charges = [
            next((row.charge for row in lot.charge_lots.all() if row.open), None) for lot in order.lots.all()
        ]
        out = [charge.unloaded_at for charge in charges if charge and charge.unloaded_at]
        ready = timezone.localdate(max(out)) if out and len(out) == len(charges) else None
        days = [(timezone.localdate(promise.made_at), promise.ready_on) for promise in promises]
        found.append(Fared(order, promises, ready, outcome(days, ready, today)))
    return found
