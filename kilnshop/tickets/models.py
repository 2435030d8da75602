"""Delivery tickets: what was handed over, how dry it was, and what heat is proven."""

from django.conf import settings
from django.db import models

from kilnshop.charges.models import ChargeLot
from kilnshop.orders.models import Order


class Ticket(models.Model):
    """Frozen at issue. A mistake is put right by a new ticket that supersedes this one."""

    order = models.ForeignKey(Order, models.PROTECT, related_name="tickets")
    number = models.CharField(max_length=24, unique=True)
    delivered_on = models.DateField()
    issued_at = models.DateTimeField()
    issued_by = models.ForeignKey(settings.AUTH_USER_MODEL, models.PROTECT, related_name="+")
    code = models.CharField("confirmation code", max_length=32, unique=True)
    supersedes = models.OneToOneField(
        "self", models.PROTECT, null=True, blank=True, related_name="superseded_by"
    )
    figures = models.JSONField()

    class Meta:
        ordering = ["-issued_at", "-id"]

    def __str__(self):
        return self.number


class TicketLot(models.Model):
    ticket = models.ForeignKey(Ticket, models.PROTECT, related_name="ticket_lots")
    charge_lot = models.ForeignKey(ChargeLot, models.PROTECT, related_name="ticket_lots")

    class Meta:
        constraints = [models.UniqueConstraint(fields=["ticket", "charge_lot"], name="lot_once_on_a_ticket")]
