"""manage.py import KIND FILE [FILE] --by USERNAME"""

from pathlib import Path

from auditlog.context import set_actor
from django.core.exceptions import PermissionDenied, ValidationError
from django.utils import timezone

from kilnshop.imports import chambers, customers, orders, people, profile, rates
from kilnshop.shop.models import Person
from kilnshop.shop.queries import shop_today
from kilnshop.web.management.base import ShopCommand, refuse

KINDS = {
    "profile": lambda files, by, now, today: [profile.import_profile(*files, by=by)],
    "people": lambda files, by, now, today: people.import_people(*files, by=by),
    "customers": lambda files, by, now, today: customers.import_customers(*files, by=by, today=today),
    "chambers": lambda files, by, now, today: chambers.import_chambers(*files, by=by, today=today),
    "tariffs": lambda files, by, now, today: rates.import_tariffs(*files, by=by, today=today),
    "rate_cards": lambda files, by, now, today: rates.import_rate_cards(*files, by=by, today=today),
    "orders": lambda files, by, now, today: orders.import_orders(*files, by=by, now=now, today=today),
}
PAIRS = {"orders": "two files, orders and lots", "rate_cards": "two files, rate cards and rates"}


class Command(ShopCommand):
    help = "Take in CSV files like those in demo_data: all of their rows, or none and every problem named."

    def add_arguments(self, parser):
        parser.add_argument("kind", choices=sorted(KINDS))
        parser.add_argument("files", nargs="+", metavar="FILE", help="orders and rate_cards take two")
        parser.add_argument("--by", required=True, metavar="USERNAME", help="who takes them in")

    def handle(self, *, kind, files, by, **options):
        person = Person.objects.filter(username=by).first()
        if person is None:
            refuse(f"--by={by!r}: nobody has that username")
        wanted = PAIRS.get(kind, "one file")
        if len(files) != (2 if kind in PAIRS else 1):
            refuse(f"FILE={' '.join(files)}: {kind} takes {wanted}")
        try:
            contents = [Path(name).read_bytes() for name in files]
        except OSError as error:
            refuse(f"FILE={error.filename!r}: {error.strerror}")
        try:
            with set_actor(person):
                made = KINDS[kind](contents, person, timezone.now(), shop_today())
        except (ValidationError, PermissionDenied) as error:
            for message in getattr(error, "messages", [str(error)]):
                self.stderr.write(message)
            raise SystemExit(1) from None
        self.stdout.write(f"{len(made)} {kind.replace('_', ' ')} taken in.")
