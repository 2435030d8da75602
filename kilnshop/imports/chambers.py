"""Kiln chambers; the columns are the figures on a chamber's page."""

import datetime as dt

from django.core.exceptions import ValidationError
from django.db import transaction

from kilnshop.imports import rows
from kilnshop.shop.actions import save_set_up
from kilnshop.shop.models import Chamber, Person
from kilnshop.shop.roles import May, require

FIELDS = tuple(field.name for field in Chamber._meta.concrete_fields if field.name != "id")
CHECKED = "sensors_checked_on"  # a date, or days from today
NEEDED = (
    "key",
    "name",
    "length_ft",
    "width_ft",
    "height_ft",
    "removal_lb_per_day",
    "stack_length_ft",
    "stack_width_ft",
    "stack_height_ft",
    "capacity_bf",
)


@transaction.atomic
def import_chambers(data: bytes, *, by: Person, today: dt.date) -> list[Chamber]:
    require(by, May.SET_UP)
    optional = [name for name in FIELDS if name not in NEEDED]
    sheet, made = rows.read(data, needed=NEEDED, optional=optional), []
    for row in sheet.rows:
        chamber = Chamber()
        sheet.put(row, chamber, [name for name in FIELDS if name != CHECKED])
        chamber.sensors_checked_on = sheet.day(row, CHECKED, today)
        try:
            made.append(save_set_up(row=chamber, by=by))
        except ValidationError as error:
            sheet.refused(row, error)
    sheet.stop_if_wrong()
    return made
