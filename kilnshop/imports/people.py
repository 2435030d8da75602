"""People who sign in: username, first_name, last_name, role, initials, password."""

from django.core.exceptions import ValidationError
from django.db import transaction

from kilnshop.imports import rows
from kilnshop.shop.actions import save_person
from kilnshop.shop.models import Person
from kilnshop.shop.roles import May, require

FIELDS = ("username", "first_name", "last_name", "role", "initials")


@transaction.atomic
def import_people(data: bytes, *, by: Person) -> list[Person]:
    require(by, May.SET_UP)
    needed = ("username", "first_name", "role", "initials", "password")
    sheet, made = rows.read(data, needed=needed, optional=("last_name",)), []
    for row in sheet.rows:
        person = Person(**{name: row.get(name) for name in FIELDS})
        try:
            made.append(save_person(person=person, password=row.get("password"), by=by))
        except ValidationError as error:
            sheet.refused(row, error, secret=("password",))
    sheet.stop_if_wrong()
    return made
