"""What the other rooms ask about the shop."""

import datetime as dt
import zoneinfo

from django.utils import timezone

from kilnshop.science import learning
from kilnshop.shop.models import Chamber, Customer, Learned, Person, RateCard, Shop, Tariff


def the_shop() -> Shop:
    """The shop's one row; an unsaved one with defaults before it is set up."""
    return Shop.objects.filter(pk=1).first() or Shop(pk=1)


def shop_today(now: dt.datetime | None = None) -> dt.date:
    """Today's date on the shop's wall clock."""
    return timezone.localdate(now or timezone.now(), zoneinfo.ZoneInfo(the_shop().time_zone))


def tariff_on(day: dt.date) -> Tariff | None:
    return Tariff.objects.filter(valid_from__lte=day).prefetch_related("periods").first()


def rate_card_on(day: dt.date) -> RateCard | None:
    return RateCard.objects.filter(valid_from__lte=day).prefetch_related("rates").first()


def learned() -> dict[str, learning.Learned]:
    """What the finished charges taught, by kind of figure."""
    rows = Learned.objects.values_list("kind", "result")
    return {kind: learning.Learned.from_dict(result) for kind, result in rows}


def set_up_steps() -> list[dict]:
    """What a shop needs before its first quote, in order, and whether it is there."""
    shop = the_shop()
    return [
        {"key": "shop_profile", "text": "Name, address, tax and terms", "done": bool(shop.address)},
        {"key": "chambers", "text": "A kiln chamber", "done": Chamber.objects.filter(active=True).exists()},
        {"key": "tariffs", "text": "The price of electricity", "done": Tariff.objects.exists()},
        {"key": "rate_cards", "text": "A rate card", "done": RateCard.objects.exists()},
        {"key": "customers", "text": "A customer", "done": Customer.objects.exists()},
        {
            "key": "people",
            "text": "Whoever else signs in",
            "done": Person.objects.filter(is_active=True).count() > 1,
        },
    ]
