"""Freeze issued invoices."""

from django.db import migrations

from kilnshop.shop.guards import freeze


class Migration(migrations.Migration):
    dependencies = [("billing", "0001_initial")]
    operations = [freeze("billing_invoice"), freeze("billing_invoiceline")]
