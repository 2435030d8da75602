"""Electricity tariffs; and rate cards with their prices, two files taken together."""

import datetime as dt

from django.core.exceptions import ValidationError
from django.db import transaction

from kilnshop.imports import rows
from kilnshop.shop.actions import save_rate_card, save_tariff
from kilnshop.shop.models import Person, Rate, RateCard, Tariff
from kilnshop.shop.roles import May, require

TARIFF = (
    "name", "energy_per_kwh", "demand_per_kw", "fixed_per_month", "on_peak_demand_per_kw", "ratchet_pct",
    "ratchet_months", "holidays",
)  # fmt: skip
CARD = tuple(field.name for field in RateCard._meta.concrete_fields if field.name not in ("id", "valid_from"))
RATE = ("group", "up_to_thickness_in", "condition", "per_bf")


@transaction.atomic
def import_tariffs(data: bytes, *, by: Person, today: dt.date) -> list[Tariff]:
    require(by, May.SET_UP)
    sheet, made = rows.read(data, needed=("valid_from", *TARIFF[:2]), optional=TARIFF[2:]), []
    for row in sheet.rows:
        tariff = Tariff(valid_from=sheet.day(row, "valid_from", today))
        sheet.put(row, tariff, TARIFF)
        try:
            made.append(save_tariff(tariff=tariff, periods=(), removed=(), by=by))
        except ValidationError as error:
            sheet.refused(row, error)
    sheet.stop_if_wrong()
    return made


@transaction.atomic
def import_rate_cards(cards: bytes, rates: bytes, *, by: Person, today: dt.date) -> list[RateCard]:
    require(by, May.SET_UP)
    sheet = rows.read(cards, needed=("name", "valid_from"), optional=CARD[1:])
    prices = rows.read(
        rates, needed=("card", "up_to_thickness_in", "per_bf"), optional=("group", "condition")
    )
    names, made = {row.get("name") for row in sheet.rows}, []
    by_card: dict[str, list[Rate]] = {}
    for row in prices.rows:
        rate = Rate()
        prices.put(row, rate, RATE)
        if row.get("card") not in names:
            prices.wrong(row, "card", "there is no rate card of that name in the other file")
        try:
            rate.full_clean(exclude=["card"])
        except ValidationError as error:
            prices.refused(row, error)
        by_card.setdefault(row.get("card"), []).append(rate)
    prices.stop_if_wrong()
    for row in sheet.rows:
        card = RateCard(valid_from=sheet.day(row, "valid_from", today))
        sheet.put(row, card, CARD)
        try:
            made.append(save_rate_card(card=card, rows=by_card.get(row.get("name"), []), removed=(), by=by))
        except ValidationError as error:
            sheet.refused(row, error)
    sheet.stop_if_wrong()
    return made
