"""What is typed to compare a charge with others like it."""

import datetime as dt

from django import forms

from kilnshop.charges.comparing import Change
from kilnshop.orders.models import Lot
from kilnshop.shop.models import Tariff
from kilnshop.web.forms.base import ShopForm
from kilnshop.web.forms.charges import ChamberField, coming_day

MONTHS = [("", "As planned"), *((n, f"{dt.date(2000, n, 1):%B}") for n in range(1, 13))]


class ComparedForm(ShopForm):
    """The charge as planned; the lots come with the address."""

    chamber = ChamberField()
    first_day = forms.DateField(label="Loading day", validators=[coming_day])
    schedule_code = forms.CharField(
        label="Schedule", required=False, max_length=40, help_text="Empty: the suggested one."
    )
    lot = forms.ModelMultipleChoiceField(
        Lot.objects.select_related("order"),
        label="Lots",
        widget=forms.MultipleHiddenInput,
        error_messages={
            "required": "No lot is chosen. Open this page from a lot, a quote or a charge plan.",
            "invalid_choice": "A lot of this address is not held any more.",
            "invalid_pk_value": "A lot of this address is not held any more.",
        },
    )


class ChangeForm(ShopForm):
    """One column; what is left empty is as planned."""

    fill_pct = forms.FloatField(label="Fill", required=False, min_value=5, max_value=100)
    start_mc_pct = forms.FloatField(label="Starts at", required=False, min_value=5, max_value=200)
    target_mc_pct = forms.FloatField(label="Target", required=False, min_value=4, max_value=40)
    schedule_code = forms.CharField(label="Schedule", required=False, max_length=40)
    month = forms.TypedChoiceField(
        label="Loaded in", required=False, choices=MONTHS, coerce=int, empty_value=None
    )
    tariff = forms.ModelChoiceField(
        Tariff.objects.prefetch_related("periods"), required=False, empty_label="As planned"
    )
    units = {"fill_pct": "%", "start_mc_pct": "%", "target_mc_pct": "%"}

    def __init__(self, *args, priced: bool, **kwargs):
        super().__init__(*args, **kwargs)
        if not priced or Tariff.objects.count() < 2:
            del self.fields["tariff"]

    def change(self) -> Change:
        return Change(**self.cleaned_data)
