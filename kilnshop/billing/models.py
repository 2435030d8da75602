"""Invoices, credit notes and payments."""

from decimal import Decimal

from django.conf import settings
from django.db import models

from kilnshop.orders.models import Lot, Order
from kilnshop.shop.models import ZERO, adds_up, at_least
from kilnshop.tickets.models import Ticket


class Invoice(models.Model):
    """Frozen at issue. Cancelled only by a credit note, which is an invoice of negative lines."""

    order = models.ForeignKey(Order, models.PROTECT, related_name="invoices")
    number = models.CharField(max_length=24, unique=True)
    issued_on = models.DateField()
    issued_at = models.DateTimeField()
    issued_by = models.ForeignKey(settings.AUTH_USER_MODEL, models.PROTECT, related_name="+")
    due_on = models.DateField()
    credits = models.OneToOneField("self", models.PROTECT, null=True, blank=True, related_name="credit_note")
    why = models.CharField(max_length=200, blank=True)
    subtotal = models.DecimalField(max_digits=12, decimal_places=2)
    tax = models.DecimalField(max_digits=12, decimal_places=2)
    total = models.DecimalField(max_digits=12, decimal_places=2)
    figures = models.JSONField(help_text="Shop, customer and terms as printed")

    class Meta:
        ordering = ["-issued_at", "-id"]
        constraints = [models.CheckConstraint(condition=adds_up(), name="invoice_total_adds_up")]

    def __str__(self):
        return self.number


class InvoiceLine(models.Model):
    invoice = models.ForeignKey(Invoice, models.PROTECT, related_name="lines")
    position = models.PositiveSmallIntegerField()
    ticket = models.ForeignKey(Ticket, models.PROTECT, null=True, blank=True, related_name="invoice_lines")
    lot = models.ForeignKey(Lot, models.PROTECT, null=True, blank=True, related_name="invoice_lines")
    kind = models.CharField(max_length=14)
    description = models.CharField(max_length=200)
    quantity = models.DecimalField(max_digits=12, decimal_places=3)
    unit = models.CharField(max_length=12)
    unit_price = models.DecimalField(max_digits=12, decimal_places=4)
    amount = models.DecimalField(max_digits=12, decimal_places=2)
    tax_rate_pct = models.DecimalField(max_digits=6, decimal_places=3, default=Decimal("0.000"))
    tax = models.DecimalField(max_digits=12, decimal_places=2, default=ZERO)

    class Meta:
        ordering = ["invoice", "position"]
        constraints = [
            models.UniqueConstraint(fields=["invoice", "position"], name="one_invoice_line_a_position")
        ]


class Payment(models.Model):
    """Money received. A deposit has no invoice until the order's first invoice is issued."""

    order = models.ForeignKey(Order, models.PROTECT, related_name="payments")
    invoice = models.ForeignKey(Invoice, models.PROTECT, null=True, blank=True, related_name="payments")
    amount = models.DecimalField(max_digits=12, decimal_places=2, validators=[at_least(Decimal("0.01"))])
    paid_on = models.DateField()
    method = models.CharField(max_length=40)
    note = models.CharField(max_length=120, blank=True)
    entered_by = models.ForeignKey(settings.AUTH_USER_MODEL, models.PROTECT, related_name="+")

    class Meta:
        ordering = ["paid_on", "id"]

    def __str__(self):
        return f"of {self.amount} on {self.paid_on}"
