"""Electricity tariffs, and rate cards with their rows of prices."""

import datetime as dt

from django.db import transaction

from kilnshop.imports import rows
from kilnshop.shop.models import Person, Rate, RateCard, Tariff
from kilnshop.shop.roles import May, require

TARIFF = ("name", "energy_per_kwh", "demand_per_kw", "fixed_per_month")
CARD = tuple(field.name for field in RateCard._meta.concrete_fields if field.name not in ("id", "valid_from"))
RATE = ("group", "up_to_thickness_in", "condition", "per_bf")


@transaction.atomic
def import_tariffs(data: bytes, *, by: Person, today: dt.date) -> list[Tariff]:
    require(by, May.SET_UP)
    sheet, made = rows.read(data, needed=("valid_from", *TARIFF[:2]), optional=TARIFF[2:]), []
    for row in sheet.rows:
        tariff = Tariff(valid_from=sheet.day(row, "valid_from", today))
        sheet.fill(row, tariff, TARIFF)
        if not sheet.problems:
            tariff.save()
            made.append(tariff)
    sheet.stop_if_wrong()
    return made


@transaction.atomic
def import_rate_cards(data: bytes, *, by: Person, today: dt.date) -> list[RateCard]:
    require(by, May.SET_UP)
    sheet, made = rows.read(data, needed=("name", "valid_from"), optional=CARD[1:]), []
    for row in sheet.rows:
        card = RateCard(valid_from=sheet.day(row, "valid_from", today))
        sheet.fill(row, card, CARD)
        if not sheet.problems:
            card.save()
            made.append(card)
    sheet.stop_if_wrong()
    return made


@transaction.atomic
def import_rates(data: bytes, *, by: Person) -> list[Rate]:
    """Prices of rate cards that are there; the newest card of a name takes the row."""
    require(by, May.SET_UP)
    sheet, made = rows.read(data, needed=("card", "up_to_thickness_in", "per_bf"), optional=("group", "condition")), []
    for row in sheet.rows:
        card = RateCard.objects.filter(name=row.get("card")).first()
        if card is None:
            sheet.wrong(row, "card", "there is no rate card of that name; import it first")
            continue
        rate = Rate(card=card)
        sheet.fill(row, rate, RATE)
        if not sheet.problems:
            rate.save()
            made.append(rate)
    sheet.stop_if_wrong()
    return made
