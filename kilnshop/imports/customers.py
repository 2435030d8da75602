"""Customers with one contact and their addresses. Line breaks in an address are written as semicolons."""

import datetime as dt

from django.core.exceptions import ValidationError
from django.db import transaction

from kilnshop.imports import rows
from kilnshop.shop.actions import save_customer
from kilnshop.shop.models import Address, Contact, Customer, Person
from kilnshop.shop.roles import May, require

OWN = ("name", "notes", "is_house", "tax_exempt", "exemption_number")
CONTACT = {"name": "contact_name", "role": "contact_role", "phone": "contact_phone", "email": "contact_email"}
ADDRESSES = {kind: f"{kind}_address" for kind in Address.Kind.values}


@transaction.atomic
def import_customers(data: bytes, *, by: Person, today: dt.date) -> list[Customer]:
    require(by, May.EDIT_ORDERS)
    optional = (*OWN[1:], "exemption_expires", *CONTACT.values(), *ADDRESSES.values())
    sheet, made = rows.read(data, needed=["name"], optional=optional), []
    names = set(Customer.objects.values_list("name", flat=True))
    for row in sheet.rows:
        if row.get("name") in names:
            sheet.wrong(row, "name", "this customer is there already")
            continue
        names.add(row.get("name"))
        customer = Customer(exemption_expires=sheet.day(row, "exemption_expires", today))
        sheet.put(row, customer, OWN)
        more = [
            Address(kind=kind, text="\n".join(rows.blocks(row.get(column))))
            for kind, column in ADDRESSES.items()
            if row.get(column)
        ]
        if row.get(CONTACT["name"]):
            more.append(Contact(**{name: row.get(column) for name, column in CONTACT.items()}))
        try:
            made.append(save_customer(customer=customer, rows=more, removed=(), by=by))
        except ValidationError as error:
            own = not customer.pk
            sheet.refused(row, error, columns={} if own else CONTACT)
    sheet.stop_if_wrong()
    return made
