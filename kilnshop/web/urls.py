from django.urls import include, path

ROOMS = (
    "entrance",
    "today",
    "shop",
    "customers",
    "prices",
    "reference",
    "learning",
    "orders",
    "charges",
    "suggest",
    "feeds",
    "messages",
    "promises",
    "compare",
    "charge",
    "signing",
    "readings",
    "weighing",
    "steps",
    "logs",
    "proof",
    "door",
    "lists",
    "plan",
    "tickets",
    "billing",
    "public",
    "media",
)

urlpatterns = [path("", include(f"kilnshop.web.views.{room}")) for room in ROOMS]
