"""manage.py serve [--host HOST] [--port PORT]"""

import sys

from django.conf import settings
from django.core.management import call_command
from django.db import connection
from django.db.migrations.executor import MigrationExecutor

from kilnshop.web.management.base import ShopCommand, number, refuse

THREADS = 6


class Command(ShopCommand):
    help = "Run the shop on a production web server, with its static files."

    def add_arguments(self, parser):
        parser.add_argument("--host", default="127.0.0.1", help="address to listen on, 0.0.0.0 for all")
        parser.add_argument("--port", type=number("--port", 1, 65535), default=8000)

    def handle(self, *, host, port, **options):
        executor = MigrationExecutor(connection)
        if executor.migration_plan(executor.loader.graph.leaf_nodes()):
            if executor.loader.applied_migrations:
                refuse("The database is not up to date: make a backup, then run manage.py migrate.")
            call_command("migrate", verbosity=0)
        serve(host, int(port), self.stdout)


def serve(host: str, port: int, out=sys.stdout) -> None:
    """Serve until stopped. Static files are collected first, except in debug, where they are found in place."""
    if not settings.DEBUG:
        call_command("collectstatic", interactive=False, verbosity=0)
    from waitress import create_server

    from kilnshop.wsgi import application

    try:
        server = create_server(application, host=host, port=port, threads=THREADS, ident=None)
    except (OSError, ValueError) as error:
        refuse(f"--host={host} --port={port}: cannot listen there ({error}); choose another with --port")
    shown = "127.0.0.1" if host in ("0.0.0.0", "") else host
    out.write(f"Open http://{shown}:{port}/ (stop with Ctrl-C)\n")
    out.flush()
    server.run()
