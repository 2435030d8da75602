"""Customers with one contact and their addresses. Line breaks in an address are written as semicolons."""

import datetime as dt

from django.db import transaction

from kilnshop.imports import rows
from kilnshop.shop.models import Address, Contact, Customer, Person
from kilnshop.shop.roles import May, require

OWN = ("name", "notes", "is_house", "tax_exempt", "exemption_number")
OPTIONAL = (
    *OWN[1:],
    "exemption_expires",
    "contact_name",
    "contact_role",
    "contact_phone",
    "contact_email",
    "billing_address",
    "delivery_address",
)


@transaction.atomic
def import_customers(data: bytes, *, by: Person, today: dt.date) -> list[Customer]:
    require(by, May.EDIT_ORDERS)
    sheet, made = rows.read(data, needed=["name"], optional=OPTIONAL), []
    names = set(Customer.objects.values_list("name", flat=True))
    for row in sheet.rows:
        if row.get("name") in names:
            sheet.wrong(row, "name", "this customer is there already")
            continue
        names.add(row.get("name"))
        customer = Customer(exemption_expires=sheet.day(row, "exemption_expires", today))
        sheet.fill(row, customer, OWN)
        if sheet.problems:
            continue
        customer.save()
        made.append(customer)
        if row.get("contact_name"):
            contact = Contact(
                customer=customer,
                name=row.get("contact_name"),
                role=row.get("contact_role"),
                phone=row.get("contact_phone"),
            )
            contact.email = row.get("contact_email")
            sheet.fill(row, contact, (), {"email": "contact_email", "phone": "contact_phone"})
            contact.save()
        for kind in Address.Kind.values:
            text = "\n".join(rows.blocks(row.get(f"{kind}_address")))
            if text:
                Address.objects.create(customer=customer, kind=kind, text=text)
    sheet.stop_if_wrong()
    return made
