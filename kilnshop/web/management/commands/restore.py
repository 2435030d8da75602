"""Put a backup back in place of what is there."""

import json
import shutil
import sqlite3
import tempfile
import zipfile
from pathlib import Path

from django.conf import settings
from django.core import serializers
from django.core.management import call_command
from django.core.management.color import no_style
from django.db import DatabaseError, connection, transaction

from kilnshop.shop import guards
from kilnshop.web.management.base import ShopCommand, refuse
from kilnshop.web.management.commands.backup import backup_models


def holds_a_shop() -> bool:
    tables = connection.introspection.table_names()
    if "shop_shop" not in tables:
        return False
    from kilnshop.shop.models import Customer, Person, Shop

    return Shop.objects.exists() or Person.objects.exists() or Customer.objects.exists()


class Command(ShopCommand):
    help = "Replace the database and uploaded files by a backup. Stop the app first."

    def add_arguments(self, parser):
        parser.add_argument("file", help="a file written by backup")
        parser.add_argument("--force", action="store_true", help="replace a shop that is there already")
        parser.add_argument("--json", action="store_true")

    def handle(self, *args, file, force, json: bool, **options):
        try:
            with zipfile.ZipFile(file) as archive, tempfile.TemporaryDirectory() as folder:
                about = self.read_manifest(archive, file)
                if holds_a_shop() and not force:
                    refuse(
                        f"file={file!r}: this database already holds a shop, which would be lost; "
                        "back it up, then use --force"
                    )
                archive.extractall(folder)
                source = Path(folder)
                if about["database"] == "database.sqlite3":
                    self.restore_sqlite(source / "database.sqlite3", file)
                else:
                    self.restore_rows(source / "rows.json", file)
                self.restore_media(source / "media")
        except (OSError, zipfile.BadZipFile) as problem:
            refuse(f"file={file!r}: cannot be read as a backup ({problem})")
        call_command("migrate", verbosity=0)
        figures = {"file": str(file), "media_files": about["media_files"]}
        self.answer(figures, [("Restored", str(file)), ("Files", str(about["media_files"]))], json)

    def read_manifest(self, archive, file):
        try:
            about = json.loads(archive.read("kilnshop-backup.json"))
        except (KeyError, ValueError):
            refuse(f"file={file!r}: not a kilnshop backup")
        if any(name.startswith("/") or ".." in Path(name).parts for name in archive.namelist()):
            refuse(f"file={file!r}: holds file names that lead outside the shop's folder")
        return about

    def restore_sqlite(self, copy: Path, file) -> None:
        if connection.vendor != "sqlite":
            refuse(f"file={file!r}: it holds a SQLite database; unset DATABASE_URL to restore it")
        connection.ensure_connection()
        with sqlite3.connect(copy) as source:
            source.backup(connection.connection)
        source.close()
        connection.close()

    def restore_rows(self, rows: Path, file) -> None:
        call_command("migrate", verbosity=0)
        models = backup_models()
        tables = [model._meta.db_table for model in models]
        tables += [f.m2m_db_table() for model in models for f in model._meta.local_many_to_many]
        flush = connection.ops.sql_flush(no_style(), tables, reset_sequences=True, allow_cascade=True)
        try:
            with transaction.atomic(), connection.cursor() as cursor, rows.open(encoding="utf-8") as stream:
                for statement in guards.around(connection.vendor, flush):
                    cursor.execute(statement)
                for item in serializers.deserialize("json", stream):
                    item.save()
                for statement in connection.ops.sequence_reset_sql(no_style(), models):
                    cursor.execute(statement)
        except (DatabaseError, serializers.base.DeserializationError) as problem:
            refuse(f"file={file!r}: does not fit this version ({problem}); nothing was changed")

    def restore_media(self, media: Path) -> None:
        target = Path(settings.MEDIA_ROOT)
        shutil.rmtree(target, ignore_errors=True)
        if media.is_dir():
            shutil.copytree(media, target)
