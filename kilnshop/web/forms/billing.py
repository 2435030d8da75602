"""What is typed to issue an invoice, cancel one, or take money."""

from decimal import Decimal

from django import forms
from django.core.exceptions import ValidationError

from kilnshop.billing import queries
from kilnshop.billing.lines import Extra
from kilnshop.shop.queries import shop_today
from kilnshop.web.forms.base import ShopForm
from kilnshop.web.templatetags.shopfloor import day

MOST_LINES = 12
TYPED = forms.TextInput(attrs={"inputmode": "decimal", "autocomplete": "off"})
METHODS = [(word, word) for word in ("Check", "Cash", "Bank transfer", "Card", "Other")]


def past_day(value):
    today = shop_today()
    if value > today:
        raise ValidationError(f"{value:%a %d %b %Y} is still to come. Use today's date or an earlier one.")


class InvoiceForm(ShopForm):
    issued_on = forms.DateField(label="Invoice date", validators=[past_day])
    tickets = forms.ModelMultipleChoiceField(
        queryset=None,
        label="Delivery tickets",
        widget=forms.CheckboxSelectMultiple,
        error_messages={
            "required": "Choose at least one delivery ticket: an invoice is for what was delivered."
        },
    )

    def __init__(self, *args, order, **kwargs):
        super().__init__(*args, **kwargs)
        self.fields["tickets"].queryset = queries.tickets_to_invoice(order)
        self.fields["tickets"].label_from_instance = lambda ticket: (
            f"{ticket.number}, delivered {day(ticket.delivered_on)}"
        )


class ExtraForm(ShopForm):
    """A line typed by hand. Left empty, it does not count."""

    description = forms.CharField(label="What it is for", max_length=200)
    quantity = forms.DecimalField(
        label="Quantity", min_value=Decimal("0.001"), max_digits=9, decimal_places=3, widget=TYPED
    )
    unit = forms.CharField(label="Unit", max_length=12, help_text="each, hour, mile")
    unit_price = forms.DecimalField(
        label="Price of one",
        max_digits=9,
        decimal_places=4,
        widget=TYPED,
        help_text="Below zero for a discount",
    )
    taxed = forms.BooleanField(label="Tax this line", required=False, initial=True)

    def has_changed(self):
        """Only the tick changed: still an empty line."""
        return any(name != "taxed" for name in self.changed_data)


ExtraFormSet = forms.formset_factory(ExtraForm, extra=1, max_num=MOST_LINES, validate_max=True)


def extra_lines(formset) -> list[Extra]:
    return [Extra(**form.cleaned_data) for form in formset if form.has_changed()]


class PaymentForm(ShopForm):
    invoice = forms.ModelChoiceField(
        queryset=None, required=False, label="For", empty_label="Deposit, for the order's next invoice"
    )
    amount = forms.DecimalField(
        label="Amount", min_value=Decimal("0.01"), max_digits=12, decimal_places=2, widget=TYPED
    )
    paid_on = forms.DateField(label="Received on", validators=[past_day])
    method = forms.ChoiceField(label="How it was paid", choices=METHODS)
    note = forms.CharField(
        label="Note", max_length=120, required=False, help_text="Check number, for example"
    )

    def __init__(self, *args, order, symbol="$", **kwargs):
        self.units = {"amount": symbol}
        super().__init__(*args, **kwargs)
        self.fields["invoice"].queryset = queries.open_invoices().filter(order=order)
        self.fields["invoice"].label_from_instance = lambda invoice: (
            f"{invoice.number}, {symbol}{invoice.balance:,.2f} due"
        )


class CreditForm(ShopForm):
    why = forms.CharField(
        label="Why the invoice is cancelled", max_length=200, help_text="Printed on the credit note"
    )
