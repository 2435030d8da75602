"""Orders and their lots, two files taken together: all of both or nothing of either."""

import datetime as dt
from typing import Any

from django.core.exceptions import ValidationError
from django.db import transaction

from kilnshop.imports import rows, tally
from kilnshop.orders.actions import add_lot, create_order
from kilnshop.orders.models import Order
from kilnshop.shop.models import Customer, Person
from kilnshop.shop.roles import May, require

ORDER = ("needed_by", "customer_reference", "notes")
LOT = (
    "measured_in",
    "volume_bf",
    "tally",
    "target_mc_pct",
    "tolerance_pct",
    "treatments",
    "declared_value",
    "stacks",
    "condition",
    "notes",
    "arrived_on",
    "yard_place",
)
LOT_NEEDED = ("order", "species_key", "thickness", "start_mc_pct", "start_how")
NUMBERS = ("start_mc_pct", "target_mc_pct", "tolerance_pct")
PLAIN = ("measured_in", "volume_bf", "declared_value", "stacks", "condition", "notes", "yard_place")


@transaction.atomic
def import_orders(
    orders: bytes, lots: bytes, *, by: Person, now: dt.datetime, today: dt.date
) -> dict[str, Order]:
    """Orders by the key that the `order` column of both files gives them."""
    require(by, May.EDIT_ORDERS)
    made: dict[str, Order] = {}
    sheet = rows.read(orders, needed=("order", "customer", "received_on"), optional=ORDER)
    for row in sorted(sheet.rows, key=lambda row: str(sheet.day(row, "received_on", today))):
        customer = Customer.objects.filter(name=row.get("customer")).first()
        received = sheet.day(row, "received_on", today)
        needed = sheet.day(row, "needed_by", today)
        if customer is None:
            sheet.wrong(row, "customer", "there is no customer of that name; import customers first")
        elif row.get("order") in made:
            sheet.wrong(row, "order", "this order is in the file twice")
        elif received:
            try:
                made[row.get("order")] = create_order(
                    customer=customer,
                    received_on=received,
                    needed_by=needed,
                    by=by,
                    now=now,
                    customer_reference=row.get("customer_reference"),
                    notes=row.get("notes"),
                )
            except ValidationError as error:
                sheet.refused(row, error)
    sheet.stop_if_wrong()
    sheet = rows.read(lots, needed=LOT_NEEDED, optional=LOT)
    for row in sheet.rows:
        order = made.get(row.get("order"))
        if order is None:
            sheet.wrong(row, "order", "there is no such order in the file of orders")
            continue
        data, pieces = _lot(sheet, row, today)
        try:
            add_lot(order=order, by=by, data=data, tally=pieces)
        except ValidationError as error:
            sheet.refused(row, error)
    sheet.stop_if_wrong()
    return made


def _lot(sheet: rows.Sheet, row: rows.Row, today: dt.date) -> tuple[dict[str, Any], list[dict] | None]:
    data: dict[str, Any] = {name: row.get(name) for name in PLAIN if row.get(name)}
    data |= {name: row.get(name) for name in ("species_key", "thickness", "start_how")}
    for name in NUMBERS:
        if row.get(name):
            try:
                data[name] = float(row.get(name))
            except ValueError:
                sheet.wrong(row, name, "is not a number")
                data[name] = 0.0
    data["treatments"] = list(rows.blocks(row.get("treatments")))
    data["arrived_on"] = sheet.day(row, "arrived_on", today)
    if not row.get("tally"):
        return data, None
    read = tally.read_text("\n".join(rows.blocks(row.get("tally"))))
    for problem in read.problems:
        sheet.wrong(row, "tally", str(problem))
    return data, list(read.rows)
