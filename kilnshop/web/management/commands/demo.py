"""manage.py demo [--port N] [--no-server]"""

import shutil
from pathlib import Path

from django.conf import settings
from django.core.exceptions import ValidationError
from django.core.management import call_command
from django.db import connection
from django.utils import timezone

from kilnshop.imports import demo
from kilnshop.shop.models import Person
from kilnshop.web.management.base import ShopCommand, number, refuse
from kilnshop.web.management.commands.serve import serve


class Command(ShopCommand):
    help = "Build a fresh demo shop in its own database file and serve it."

    def add_arguments(self, parser):
        parser.add_argument("--port", type=number("--port", 1, 65535), default=8000)
        parser.add_argument("--no-server", action="store_true", help="only build the shop")

    def handle(self, *, port, no_server, **options):
        port = int(port)
        settings.SITE_URL = f"http://127.0.0.1:{port}"  # what the QR codes of the demo's tickets lead to
        empty_demo_database()
        call_command("migrate", verbosity=0)
        self.stdout.write("Building the demo shop, some seconds ...")
        self.stdout.flush()
        try:
            demo.build(folder=settings.BASE_DIR / "demo_data", now=timezone.now().replace(microsecond=0))
        except ValidationError as error:
            refuse(f"the demo shop could not be built: {'; '.join(error.messages)}")
        self.stdout.write("Sign in with any of these; the data is invented and made anew each time.")
        for person in Person.objects.order_by("pk"):
            self.stdout.write(
                f"  {person.username:<9} password {demo.PASSWORD}   ({person.get_role_display()})"
            )
        if not no_server:
            serve("127.0.0.1", port, self.stdout)


def empty_demo_database() -> None:
    """Delete the demo's own files. Refused unless manage.py set this process up for the demo."""
    name = Path(str(connection.settings_dict["NAME"]))
    if not settings.DEMO or connection.vendor != "sqlite" or name.parent != settings.DATA_DIR:
        refuse("demo: run it as manage.py demo, which keeps it away from every other database")
    if settings.DATA_DIR.name != "demo":
        refuse(f"demo: {settings.DATA_DIR} is not the demo's own folder")
    connection.close()
    for suffix in ("", "-wal", "-shm", "-journal"):
        name.with_name(name.name + suffix).unlink(missing_ok=True)
    shutil.rmtree(settings.MEDIA_ROOT, ignore_errors=True)
