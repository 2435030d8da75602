"""Freeze issued tickets."""

from django.db import migrations

from kilnshop.shop.guards import freeze


class Migration(migrations.Migration):
    dependencies = [("tickets", "0001_initial")]
    operations = [freeze("tickets_ticket"), freeze("tickets_ticketlot")]
