"""Who may do what. One table; pages and actions ask it, nothing else decides."""

from django.core.exceptions import PermissionDenied
from django.db import models


class Role(models.TextChoices):
    OWNER = "owner", "Owner"
    OPERATOR = "operator", "Kiln operator"
    OFFICE = "office", "Office"


class May(models.TextChoices):
    SEE_PRICES = "see_prices", "see prices"
    SEE_MARGINS = "see_margins", "see costs and margins"
    EDIT_ORDERS = "edit_orders", "take in orders"
    ISSUE_PAPERS = "issue_papers", "issue quotes, tickets and invoices"
    RUN_CHARGES = "run_charges", "plan and run charges"
    ACCEPT_COSTS = "accept_costs", "accept what sharing a charge costs"
    RECORD_READINGS = "record_readings", "record readings"
    SET_UP = "set_up", "change the shop's set-up"


ALLOWED: dict[str, frozenset[str]] = {
    Role.OWNER: frozenset(May.values),
    Role.OFFICE: frozenset({May.SEE_PRICES, May.EDIT_ORDERS, May.ISSUE_PAPERS}),
    Role.OPERATOR: frozenset({May.EDIT_ORDERS, May.RUN_CHARGES, May.RECORD_READINGS}),
}


def require(person, what: str) -> None:
    """Raise PermissionDenied in words unless the person may do it."""
    if not person.may(what):
        raise PermissionDenied(
            f"{person} is signed in as {person.get_role_display()}, who may not {May(what).label}."
        )
