"""The web room: a check for the PDF libraries, and the trail of who changed what."""

import contextlib
import io

from django.apps import AppConfig, apps
from django.core.checks import Warning, register

PDF_LIBRARIES = "apt-get install libpangoft2-1.0-0 libharfbuzz-subset0"
# Everything with a price, and everything issued; long frozen figures are left out, they never change.
TRAIL = {
    "shop.Shop": [],
    "shop.Person": ["password", "last_login"],
    "shop.Customer": [],
    "shop.Chamber": [],
    "shop.Tariff": [],
    "shop.TariffPeriod": [],
    "shop.RateCard": [],
    "shop.Rate": [],
    "shop.OwnSpecies": [],
    "shop.OwnSchedule": [],
    "shop.OwnTreatment": [],
    "orders.Order": [],
    "orders.Lot": [],
    "orders.Quote": ["figures"],
    "orders.Message": [],
    "charges.Charge": ["plan"],
    "charges.ChargeLot": [],
    "charges.Booking": [],
    "charges.ListLine": [],
    "charges.Feed": ["key_hash", "last_read_at"],
    "charges.Correction": [],
    "charges.BoardTest": [],
    "tickets.Ticket": ["figures", "code"],
    "billing.Invoice": ["figures"],
    "billing.Payment": [],
}


@register()
def pdf_libraries(app_configs, **kwargs):
    """Papers can always be printed from the browser; PDF files need Pango."""
    try:
        with contextlib.redirect_stdout(io.StringIO()), contextlib.redirect_stderr(io.StringIO()):
            import weasyprint  # noqa: F401
    except OSError:
        return [
            Warning(
                "PDF files cannot be made: system libraries are missing. Printable pages still work.",
                hint=PDF_LIBRARIES,
                id="kilnshop.W001",
            )
        ]
    return []


class WebConfig(AppConfig):
    name = "kilnshop.web"
    label = "web"

    def ready(self):
        from auditlog.registry import auditlog

        for name, left_out in TRAIL.items():
            model = apps.get_model(name)
            kept = [
                field.name for field in model._meta.concrete_fields if field.name not in [*left_out, "id"]
            ]
            auditlog.register(model, include_fields=kept)
