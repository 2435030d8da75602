"""Many rows at once, without an object for each: for recorder logs of a million rows, whose file is kept."""

from collections.abc import Callable, Iterable
from typing import Any

from django.db import connection, models


def insert(model: type[models.Model], names: list[str], rows: Iterable[tuple[Any, ...]]) -> None:
    """Insert `rows`, each holding the columns `names`. The database's constraints hold; validators are not asked."""
    fields = [model._meta.get_field(name) for name in names]
    quote = connection.ops.quote_name
    columns = ", ".join(quote(field.column) for field in fields)
    places = ", ".join(["%s"] * len(fields))
    with connection.cursor() as cursor:
        cursor.executemany(f"INSERT INTO {quote(model._meta.db_table)} ({columns}) VALUES ({places})", rows)


def moments() -> Callable[[Any], Any]:
    """What turns a time into the value `insert` wants."""
    return connection.ops.adapt_datetimefield_value


def delete(rows: models.QuerySet) -> None:
    """Delete rows that nothing else points at, without loading each or writing it into the trail."""
    rows._raw_delete(rows.db)
