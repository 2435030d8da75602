"""The shop's own profile: one row. Line breaks of the address are written as semicolons."""

from django.core.exceptions import ValidationError
from django.db import transaction

from kilnshop.imports import rows
from kilnshop.shop.actions import save_set_up
from kilnshop.shop.models import Person, Shop
from kilnshop.shop.queries import the_shop
from kilnshop.shop.roles import May, require

LATER = ("id", "logo", "address", "outside_temp_f")
FIELDS = tuple(field.name for field in Shop._meta.concrete_fields if field.name not in LATER)


@transaction.atomic
def import_profile(data: bytes, *, by: Person) -> Shop:
    require(by, May.SET_UP)
    sheet = rows.read(data, needed=["name"], optional=(*FIELDS, "address", "outside_temp_f"))
    for row in sheet.rows[1:]:
        sheet.wrong(row, "name", "there is one shop; give one row")
    row, shop = sheet.rows[0], the_shop()
    sheet.put(row, shop, FIELDS)
    shop.address = "\n".join(rows.blocks(row.get("address")))
    try:
        shop.outside_temp_f = [float(part) for part in rows.blocks(row.get("outside_temp_f"))]
    except ValueError:
        sheet.wrong(row, "outside_temp_f", "give twelve monthly temperatures parted by semicolons")
    try:
        save_set_up(row=shop, by=by)
    except ValidationError as error:
        sheet.refused(row, error)
    sheet.stop_if_wrong()
    return shop
