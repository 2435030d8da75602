"""Database triggers for rows that must never change, on SQLite and PostgreSQL.

Used by migrations. Actions keep the same rules in words; the triggers hold when code is bypassed.
"""

from collections.abc import Iterator

from django.db import migrations

FROZEN = (
    ("tickets_ticket", ()),
    ("tickets_ticketlot", ()),
    ("billing_invoice", ()),
    ("billing_invoiceline", ()),
    ("auditlog_logentry", ()),
    ("charges_checklist", ()),
    ("charges_samplecut", ("sample_id", "at", "weight", "unit", "start_mc_pct", "start_sd_pct")),
    ("charges_samplesection", ("cut_id", "green", "unit")),
    ("charges_sampleweight", ("sample_id", "at", "weight", "unit")),
    ("orders_quote", ("number", "figures", "total", "subtotal", "tax", "issued_at", "valid_until")),
    ("orders_quoteline", ()),
)


def freeze_sql(vendor: str, table: str, columns: tuple[str, ...] = ()) -> list[str]:
    """Statements that refuse UPDATE (of `columns`, or any) and DELETE on `table`."""
    of = f" OF {', '.join(columns)}" if columns else ""
    message = f"{table} rows are frozen"
    if vendor == "sqlite":
        return [
            *thaw_sql(vendor, table),
            f"CREATE TRIGGER {table}_no_update BEFORE UPDATE{of} ON {table} "
            f"BEGIN SELECT RAISE(ABORT, '{message}'); END",
            f"CREATE TRIGGER {table}_no_delete BEFORE DELETE ON {table} "
            f"BEGIN SELECT RAISE(ABORT, '{message}'); END",
        ]
    return [
        *thaw_sql(vendor, table),
        "CREATE OR REPLACE FUNCTION kilnshop_frozen() RETURNS trigger AS $$ BEGIN "
        "RAISE EXCEPTION '% rows are frozen', TG_TABLE_NAME; END $$ LANGUAGE plpgsql",
        f"CREATE TRIGGER {table}_no_update BEFORE UPDATE{of} ON {table} "
        "FOR EACH ROW EXECUTE FUNCTION kilnshop_frozen()",
        f"CREATE TRIGGER {table}_no_delete BEFORE DELETE ON {table} "
        "FOR EACH ROW EXECUTE FUNCTION kilnshop_frozen()",
    ]


def thaw_sql(vendor: str, table: str) -> list[str]:
    on = f" ON {table}" if vendor == "postgresql" else ""
    return [f"DROP TRIGGER IF EXISTS {table}_no_{verb}{on}" for verb in ("update", "delete")]


def freeze(table: str) -> migrations.RunPython:
    """A migration operation that freezes one table of FROZEN."""
    columns = dict(FROZEN)[table]

    def run(statements):
        def operation(apps, editor) -> None:
            for statement in statements(editor.connection.vendor):
                editor.execute(statement, params=None)

        return operation

    return migrations.RunPython(
        run(lambda vendor: freeze_sql(vendor, table, columns)), run(lambda vendor: thaw_sql(vendor, table))
    )


def unfrozen(table: str, *changes) -> list:
    """Migration operations that change a frozen table: SQLite makes such a table anew, without its triggers."""
    guard = freeze(table)
    return [migrations.RunPython(guard.reverse_code, guard.code), *changes, guard]


def around(vendor: str, statements: list[str]) -> Iterator[str]:
    """The statements with every guard lifted before and set again after (emptying a test or restored database)."""
    for table, _ in FROZEN:
        yield from thaw_sql(vendor, table)
    yield from statements
    for table, columns in FROZEN:
        yield from freeze_sql(vendor, table, columns)
