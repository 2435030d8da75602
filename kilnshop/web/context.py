"""What every page knows: the shop and the way around."""

from django.conf import settings
from django.urls import reverse

from kilnshop.shop.roles import May

# (word, url name, right needed, paths that light it up)
ROOMS = (
    ("Today", "today", None, ()),
    ("Orders", "orders", None, ("/lots/", "/quotes/", "/orders/")),
    ("Charges", "charges", None, ("/charges/", "/readings/")),
    ("Calendar", "calendar", None, ("/calendar/", "/outages/")),
    ("Yard", "yard", None, ("/yard/",)),
    ("Tickets", "tickets", None, ("/tickets/",)),
    ("Invoices", "invoices", May.SEE_PRICES, ("/invoices/", "/payments/")),
    ("Set-up", "set_up", None, ("/set-up/", "/customers/")),
)


def shop(request) -> dict:
    person = getattr(request, "user", None)
    found = {"shop": getattr(request, "shop", None), "demo": settings.DEMO, "rooms": []}
    if person is None or not person.is_authenticated:
        return found
    for word, name, right, paths in ROOMS:
        if right and not person.may(right):
            continue
        url = reverse(name)
        here = request.path == url or any(request.path.startswith(path) for path in paths)
        found["rooms"].append({"word": word, "url": url, "here": here})
    return found
