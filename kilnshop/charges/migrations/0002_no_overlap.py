"""Make it impossible that two bookings of a chamber share a day, whoever writes at once."""

from django.db import migrations

CLASH = (
    "SELECT RAISE(ABORT, 'booking_overlap') WHERE EXISTS (SELECT 1 FROM charges_booking WHERE "
    "chamber_id = NEW.chamber_id AND id IS NOT NEW.id "
    "AND first_day <= NEW.last_day AND last_day >= NEW.first_day)"
)


def forbid(apps, editor):
    if editor.connection.vendor == "sqlite":
        for verb in ("INSERT", "UPDATE"):
            editor.execute(
                f"CREATE TRIGGER booking_no_overlap_{verb.lower()} BEFORE {verb} ON charges_booking BEGIN {CLASH}; END",
                params=None,
            )
    else:
        editor.execute("CREATE EXTENSION IF NOT EXISTS btree_gist", params=None)
        editor.execute(
            "ALTER TABLE charges_booking ADD CONSTRAINT booking_overlap "
            "EXCLUDE USING gist (chamber_id WITH =, daterange(first_day, last_day, '[]') WITH &&)",
            params=None,
        )


def allow(apps, editor):
    if editor.connection.vendor == "sqlite":
        for verb in ("insert", "update"):
            editor.execute(f"DROP TRIGGER booking_no_overlap_{verb}", params=None)
    else:
        editor.execute("ALTER TABLE charges_booking DROP CONSTRAINT booking_overlap", params=None)


class Migration(migrations.Migration):
    dependencies = [("charges", "0001_initial")]
    operations = [migrations.RunPython(forbid, allow)]
