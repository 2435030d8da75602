"""One file with the whole shop: database and uploaded files, taken while the app runs."""

import json
import os
import sqlite3
import tempfile
import zipfile
from pathlib import Path

from django.conf import settings
from django.core import serializers
from django.db import connection, transaction

from kilnshop.web.management.base import ShopCommand, refuse

SKIPPED = {"contenttypes.ContentType", "auth.Permission", "sessions.Session", "axes.AccessAttempt"}


def backup_models():
    """Every model with rows of its own, those it depends on first."""
    from django.apps import apps

    models = serializers.sort_dependencies([(config, None) for config in apps.get_app_configs()])
    return [model for model in models if model._meta.label not in SKIPPED and not model._meta.proxy]


def sqlite_copy(target: Path, source: sqlite3.Connection) -> None:
    """A consistent copy through SQLite's own backup call (a plain copy of the file would miss the -wal)."""
    with sqlite3.connect(target) as copy:
        source.backup(copy)
        verdict = copy.execute("PRAGMA integrity_check").fetchone()[0]
    copy.close()
    if verdict != "ok":
        refuse(f"the copy of the database failed its check ({verdict}); nothing was written")


def rows_copy(target: Path) -> None:
    """Every row as JSON from one snapshot: for PostgreSQL, and readable by either database."""
    with transaction.atomic(), target.open("w", encoding="utf-8") as file:
        with connection.cursor() as cursor:
            cursor.execute("SET TRANSACTION ISOLATION LEVEL REPEATABLE READ")
        everything = (
            row for model in backup_models() for row in model._base_manager.order_by("pk").iterator()
        )
        serializers.serialize("json", everything, stream=file)


class Command(ShopCommand):
    help = "Write the database and all uploaded files to one file, while the app runs."

    def add_arguments(self, parser):
        parser.add_argument("file", help="where to write, such as kilnshop-backup.zip")
        parser.add_argument("--json", action="store_true")

    def handle(self, *args, file, json: bool, **options):
        target = Path(file)
        if target.exists():
            refuse(f"file={file!r}: it exists already; choose a new name")
        if not target.resolve().parent.is_dir():
            refuse(f"file={file!r}: the folder {target.resolve().parent} does not exist")
        with tempfile.TemporaryDirectory(dir=target.resolve().parent) as folder:
            draft = Path(folder) / "draft.zip"
            kind = "database.sqlite3" if connection.vendor == "sqlite" else "rows.json"
            copy = Path(folder) / kind
            if connection.vendor == "sqlite":
                connection.ensure_connection()
                sqlite_copy(copy, connection.connection)
            else:
                rows_copy(copy)
            media = Path(settings.MEDIA_ROOT)
            files = sorted(path for path in media.rglob("*") if path.is_file()) if media.is_dir() else []
            with zipfile.ZipFile(draft, "w", zipfile.ZIP_DEFLATED) as archive:
                archive.writestr("kilnshop-backup.json", manifest(kind, len(files)))
                archive.write(copy, kind)
                for path in files:
                    archive.write(path, f"media/{path.relative_to(media).as_posix()}")
            os.replace(draft, target)
        figures = {"file": str(target), "bytes": target.stat().st_size, "media_files": len(files)}
        self.answer(
            figures,
            [
                ("Backup", str(target)),
                ("Size", f"{figures['bytes'] / 1e6:.1f} MB"),
                ("Files", str(len(files))),
            ],
            json,
        )


def manifest(kind: str, files: int) -> str:
    from django.db.migrations.recorder import MigrationRecorder

    applied = sorted(f"{app}.{name}" for app, name in MigrationRecorder(connection).applied_migrations())
    return json.dumps({"format": 1, "database": kind, "media_files": files, "migrations": applied})
