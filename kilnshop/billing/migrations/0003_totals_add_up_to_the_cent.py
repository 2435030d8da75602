"""Totals add up to the cent: SQLite adds decimals as binary floats, so an exact sum was refused at times."""

from django.db import migrations, models

from kilnshop.shop.guards import unfrozen
from kilnshop.shop.models import adds_up


class Migration(migrations.Migration):
    dependencies = [("billing", "0002_freeze")]
    operations = unfrozen(
        "billing_invoice",
        migrations.RemoveConstraint("invoice", "invoice_total_adds_up"),
        migrations.AddConstraint(
            "invoice", models.CheckConstraint(condition=adds_up(), name="invoice_total_adds_up")
        ),
    )
