"""The form of a new ticket."""

from django import forms

from kilnshop.tickets.queries import Standing
from kilnshop.web.forms.base import ShopForm
from kilnshop.web.templatetags.shopfloor import volume


class FindTickets(ShopForm):
    words = forms.CharField(label="Number or name", max_length=80, required=False)
    show = forms.ChoiceField(
        choices=[("", "All"), ("live", "In force"), ("replaced", "Replaced")], required=False
    )


class TicketForm(ShopForm):
    charge_lots = forms.MultipleChoiceField(
        label="Lots handed over", widget=forms.CheckboxSelectMultiple, required=False
    )
    delivered_on = forms.DateField(label="Handed over on")
    why = forms.CharField(
        label="What was wrong with the old ticket",
        max_length=200,
        help_text="Printed on the new ticket.",
        required=False,
    )

    def __init__(self, *args, standings: list[Standing], replacing: bool, **kwargs):
        super().__init__(*args, **kwargs)
        self.rows = {str(row.charge_lot.pk): row.charge_lot for row in standings if row.deliverable}
        self.fields["charge_lots"].choices = [
            (pk, f"{row.lot}: {row.lot.thickness_label}, {volume(row.volume_out_bf)}")
            for pk, row in self.rows.items()
        ]
        if not replacing:
            del self.fields["why"]

    def clean_charge_lots(self):
        return [self.rows[pk] for pk in self.cleaned_data["charge_lots"]]
