"""Totals add up to the cent: SQLite adds decimals as binary floats, so an exact sum was refused at times."""

from django.db import migrations, models

from kilnshop.shop.guards import unfrozen
from kilnshop.shop.models import adds_up


class Migration(migrations.Migration):
    dependencies = [("orders", "0002_freeze")]
    operations = unfrozen(
        "orders_quote",
        migrations.RemoveConstraint("quote", "quote_total_adds_up"),
        migrations.AddConstraint(
            "quote", models.CheckConstraint(condition=adds_up(), name="quote_total_adds_up")
        ),
    )
