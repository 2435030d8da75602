"""Freeze the figures of saved quotes."""

from django.db import migrations

from kilnshop.shop.guards import freeze


class Migration(migrations.Migration):
    dependencies = [("orders", "0001_initial")]
    operations = [freeze("orders_quote"), freeze("orders_quoteline")]
