"""Freeze the record of who changed what."""

from django.db import migrations

from kilnshop.shop.guards import freeze


class Migration(migrations.Migration):
    dependencies = [("shop", "0001_initial"), ("auditlog", "0017_add_actor_email")]
    operations = [freeze("auditlog_logentry")]
