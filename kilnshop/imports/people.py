"""People who sign in: username, first_name, last_name, role, initials, password."""

from django.core.exceptions import ValidationError
from django.db import transaction

from kilnshop.imports import rows
from kilnshop.shop.actions import check_password
from kilnshop.shop.models import Person
from kilnshop.shop.roles import May, require

NEEDED = ("username", "first_name", "role", "initials", "password")
OPTIONAL = ("last_name",)


@transaction.atomic
def import_people(data: bytes, *, by: Person) -> list[Person]:
    require(by, May.SET_UP)
    sheet, made = rows.read(data, needed=NEEDED, optional=OPTIONAL), []
    for row in sheet.rows:
        person = Person()
        person.set_password(row.get("password"))
        sheet.fill(row, person, ("username", "first_name", "last_name", "role", "initials"))
        try:
            check_password(row.get("password"), person)
        except ValidationError as error:
            for message in error.messages:
                sheet.wrong(row, "", f"password: {message}")  # the password itself is never shown
            continue
        if not sheet.problems:
            person.save()
            made.append(person)
    sheet.stop_if_wrong()
    return made
