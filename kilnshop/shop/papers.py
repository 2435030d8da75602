"""The shop and the customer as a paper prints them, frozen into its figures."""

import base64
import mimetypes

from kilnshop.shop.models import Address, Customer, Shop


def logo_uri(shop: Shop) -> str:
    """A copy of the logo inside the figures, so that a later logo does not change an issued paper."""
    if not shop.logo:
        return ""
    kind = mimetypes.guess_type(shop.logo.name)[0] or "image/png"
    try:
        with shop.logo.open("rb") as file:
            return f"data:{kind};base64,{base64.b64encode(file.read()).decode()}"
    except OSError:
        return ""  # a lost logo must not stop an invoice


def shop_block(shop: Shop) -> dict[str, str]:
    return {
        "name": shop.name,
        "address": shop.address,
        "phone": shop.phone,
        "email": shop.email,
        "logo": logo_uri(shop),
    }


def customer_block(customer: Customer) -> dict[str, str]:
    billing = customer.addresses.filter(kind=Address.Kind.BILLING).first() or customer.addresses.first()
    contact = customer.contacts.first()
    return {
        "name": customer.name,
        "address": billing.text if billing else "",
        "contact": " · ".join(part for part in (contact.name, contact.phone, contact.email) if part)
        if contact
        else "",
    }


def tax_label(shop: Shop, exempt: bool) -> str:
    return f"{shop.tax_name}, exempt" if exempt else f"{shop.tax_name} {shop.tax_rate_pct.normalize():f} %"
