"""What is typed to plan and move charges and to close a chamber."""

from django import forms
from django.core.exceptions import ValidationError

from kilnshop.orders.models import Lot
from kilnshop.orders.queries import waiting_lots
from kilnshop.shop.models import Chamber
from kilnshop.shop.queries import shop_today
from kilnshop.web.forms.base import FinishForm, ShopForm
from kilnshop.web.templatetags.shopfloor import day, volume

NO_CHAMBER = {
    "required": "Choose a chamber.",
    "invalid_choice": "That chamber is not in use. Choose another one.",
}


def coming_day(value):
    today = shop_today()
    if value < today:
        raise ValidationError(f"{day(value)} is past. Choose {day(today)} or a later day.")
    if (value - today).days > 730:
        raise ValidationError(f"{day(value)} is more than two years ahead. Choose an earlier day.")


class ChamberField(forms.ModelChoiceField):
    def __init__(self, **kwargs):
        super().__init__(
            queryset=Chamber.objects.filter(active=True),
            empty_label=None,
            error_messages=NO_CHAMBER,
            **kwargs,
        )

    def label_from_instance(self, chamber):
        return f"{chamber.name}, {volume(chamber.capacity_bf)} of 4/4"


class WaitingLotsField(forms.ModelMultipleChoiceField):
    def clean(self, value):
        try:
            return super().clean(value)
        except ValidationError as error:
            if error.code != "invalid_choice":
                raise
            lot = Lot.objects.select_related("order").filter(pk=error.params["value"]).first()
            name = f"Lot {lot}" if lot else "One of the ticked lots"
            raise ValidationError(
                f"{name} does not wait any more: somebody may have loaded it.", code=error.code
            ) from None


class PlanForm(FinishForm):
    NO_FINISH = "As the lots ask"
    chamber = ChamberField()
    first_day = forms.DateField(label="Loading day", validators=[coming_day])
    lots = WaitingLotsField(
        queryset=None,
        required=False,
        label="Waiting lots",
        widget=forms.CheckboxSelectMultiple,
    )
    schedule_code = forms.CharField(
        label="Schedule",
        required=False,
        max_length=40,
        help_text="Empty: the suggested one. Else a code such as T4-D2 or T4-D2-LT, TIMBER-21 for timbers "
        "by the clock in 21 days, or the key of your own schedule.",
    )
    override_note = forms.CharField(
        label="Note that accepts the costs",
        required=False,
        max_length=200,
        help_text="Needed where a lot may share the charge only at a cost.",
    )
    notes = forms.CharField(label="Notes for loading", required=False, max_length=2000, widget=forms.Textarea)

    def __init__(self, *args, **kwargs):
        super().__init__(*args, **kwargs)
        self.fields["lots"].queryset = waiting_lots()


class ChangeForm(ShopForm):
    """A change of the calendar: why, and what was seen of the calendar when it was asked for."""

    why = forms.CharField(
        label="Why", max_length=120, help_text="Kept with the charge and with every promise that moves."
    )
    seen = forms.CharField(required=False, widget=forms.HiddenInput)


class MoveForm(ChangeForm):
    chamber = ChamberField()
    first_day = forms.DateField(label="Loading day", validators=[coming_day])
    field_order = ["chamber", "first_day", "why"]


class DaysForm(ChangeForm):
    likely_last_day = forms.DateField(label="Likely last day")
    last_day = forms.DateField(label="Last day held", help_text="The promise is made from this day.")
    field_order = ["likely_last_day", "last_day", "why"]


class OutageDaysForm(ChangeForm):
    chamber = ChamberField()
    first_day = forms.DateField(label="First day closed")
    last_day = forms.DateField(label="Last day closed", validators=[coming_day])
    why = forms.CharField(label="Closed for", max_length=120)
    field_order = ["chamber", "first_day", "last_day", "why"]

    def clean(self):
        return _in_order(self, super().clean())


class CancelForm(ShopForm):
    why = forms.CharField(label="Why it is cancelled", max_length=160)


class OutageForm(ShopForm):
    chamber = ChamberField()
    first_day = forms.DateField(label="First day closed", validators=[coming_day])
    last_day = forms.DateField(label="Last day closed", validators=[coming_day])
    reason = forms.CharField(max_length=120, help_text="Such as: new door gasket")

    def clean(self):
        return _in_order(self, super().clean())


def _in_order(form: forms.Form, given: dict) -> dict:
    first, last = given.get("first_day"), given.get("last_day")
    if first and last and last < first:
        form.add_error("last_day", f"{day(last)} is before the first day, {day(first)}.")
    return given


class SuggestForm(ShopForm):
    weeks = forms.TypedChoiceField(
        label="Look ahead", coerce=int, choices=[(8, "8 weeks"), (12, "12 weeks"), (17, "17 weeks")]
    )
    seconds = forms.TypedChoiceField(
        label="Search for at most",
        coerce=int,
        choices=[(10, "10 seconds"), (30, "30 seconds"), (120, "2 minutes"), (600, "10 minutes")],
    )
    at_a_cost = forms.BooleanField(
        label="Mix lots that may share only at a cost",
        required=False,
        help_text="Each such charge then asks for a note when it is accepted.",
    )


class ByHandForm(ShopForm):
    """Waiting lots put into numbered charges."""

    CHARGES = range(1, 7)

    def __init__(self, *args, lots, **kwargs):
        super().__init__(*args, **kwargs)
        self.lots = lots
        numbers = [("", "leave"), *((str(n), f"charge {n}") for n in self.CHARGES)]
        for lot in lots:
            self.fields[f"lot_{lot.pk}"] = forms.ChoiceField(label=str(lot), choices=numbers, required=False)
        for n in self.CHARGES:
            self.fields[f"chamber_{n}"] = ChamberField(label=f"Charge {n}, chamber", required=False)
            self.fields[f"day_{n}"] = forms.DateField(
                label=f"Charge {n}, loading day",
                required=False,
                validators=[coming_day],
                widget=forms.DateInput(format="%Y-%m-%d", attrs={"type": "date"}),
            )

    def charges(self):
        """(chamber, lot ids, loading day or None) of each number that has lots."""
        given = self.cleaned_data
        for n in self.CHARGES:
            lots = tuple(lot.pk for lot in self.lots if given[f"lot_{lot.pk}"] == str(n))
            if lots:
                yield (
                    given[f"chamber_{n}"] or Chamber.objects.filter(active=True).first(),
                    lots,
                    given[f"day_{n}"],
                )

    @property
    def lot_rows(self):
        return [(lot, self[f"lot_{lot.pk}"]) for lot in self.lots]

    @property
    def charge_rows(self):
        return [(n, self[f"chamber_{n}"], self[f"day_{n}"]) for n in self.CHARGES]


class FeedForm(ShopForm):
    name = forms.CharField(label="Who reads it", max_length=60, help_text="Such as: Sam's phone")
    chamber = forms.ModelChoiceField(
        queryset=Chamber.objects.filter(active=True), required=False, empty_label="The whole shop"
    )
