"""What is typed to take in an order, describe a lot, make a quote and write down the answer."""

import re
from decimal import Decimal

from django import forms
from django.core.exceptions import ValidationError

from kilnshop.imports import tally
from kilnshop.orders import estimating
from kilnshop.orders.models import Lot, Message, Quote
from kilnshop.orders.queries import SHOWN
from kilnshop.science import schedules, treatments
from kilnshop.shop.models import Chamber, Customer, OwnSchedule
from kilnshop.shop.queries import shop_today
from kilnshop.web import units
from kilnshop.web.forms.base import FinishForm, ImageField, QuantityField, ShopForm

TYPED = {"inputmode": "decimal", "autocomplete": "off"}
MILLIMETRES = re.compile(r"\s*(\d+(?:[.,]\d+)?)\s*mm\s*", re.IGNORECASE)
ASSUMED_AIR_DRIED_PCT = 20.0  # about a year outside; wet enough not to promise too short a time
MOST_PHOTOS = 12
USUAL_TREATMENTS = ("ispm15_ht", "us_lumber_kdht", "lyctid_core", "aphis_t314a", "pitch_180f")


class OrderDetailsForm(ShopForm):
    needed_by = forms.DateField(label="Wanted by", required=False)
    customer_reference = forms.CharField(label="Their reference", max_length=60, required=False)
    notes = forms.CharField(widget=forms.Textarea, required=False, max_length=4000)


class OrderForm(OrderDetailsForm):
    customer = forms.ModelChoiceField(queryset=Customer.objects.all(), empty_label="Choose a customer")
    received_on = forms.DateField(label="Taken in on")
    field_order = ("customer", "received_on", "needed_by", "customer_reference", "notes")


class FilterForm(ShopForm):
    words = forms.CharField(label="Number, customer or reference", required=False, max_length=60)
    show = forms.ChoiceField(required=False, choices=[("", "All orders"), *SHOWN.items()])


class PhotosInput(forms.ClearableFileInput):
    allow_multiple_selected = True


class PhotosField(ImageField):
    """Several pictures, each checked by its content and size."""

    def __init__(self, **kwargs):
        accept = {"accept": "image/png,image/jpeg,image/webp"}
        super().__init__(widget=PhotosInput(attrs=accept), **kwargs)

    def clean(self, data, initial=None):
        files = data if isinstance(data, (list, tuple)) else [data] if data else []
        if len(files) > MOST_PHOTOS:
            raise ValidationError(f"{len(files)} photos are too many at once; send at most {MOST_PHOTOS}.")
        return [super(PhotosField, self).clean(file, initial) for file in files]


class LotForm(FinishForm):
    """A lot as the customer describes it. `tally` in the cleaned data is None or the rows of the tally."""

    sections = [
        ("Wood", ["species_key", "thickness", "measured_in", "width_in"]),
        ("How much", ["volume_bf", "tally_text", "tally_file"]),
        ("Moisture", ["start_how", "start_mc_pct", "target_mc_pct", "tolerance_pct"]),
        ("Work", ["schedule_code", "finish", "treatments", "another_treatment", "stacks"]),
        ("On arrival", ["arrived_on", "yard_place", "declared_value", "condition", "photos", "notes"]),
        ("Try it in", ["chamber"]),
    ]
    units = {"start_mc_pct": "%", "target_mc_pct": "%", "tolerance_pct": "%"}

    species_key = forms.ChoiceField(label="Species")
    thickness = forms.CharField(
        max_length=20, help_text="4/4, 8/4, 1 1/16, or a dressed size such as 2x6", initial="4/4"
    )
    measured_in = QuantityField(
        quantity="length_in",
        label="Measured thickness",
        required=False,
        low=0.25,
        high=16,
        help_text="To 1/16 in: thickness decides the days, and only measured lots teach the estimates",
    )
    width_in = QuantityField(
        quantity="length_in",
        label="Timber width",
        required=False,
        low=0.5,
        high=60,
        decimal_places=3,
        help_text="For beams and posts only",
    )
    volume_bf = QuantityField(
        quantity="volume_bf",
        label="Volume",
        required=False,
        low=0.01,
        high=1_000_000,
        decimal_places=2,
        help_text="Or give a piece tally, which then counts",
    )
    tally_text = forms.CharField(
        label="Piece tally",
        required=False,
        strip=False,
        max_length=100_000,
        widget=forms.Textarea(attrs={"rows": 4, "spellcheck": "false"}),
    )
    tally_file = forms.FileField(label="Tally as CSV file", required=False)
    start_how = forms.ChoiceField(label="How the starting MC is known", choices=Lot.StartHow.choices)
    start_mc_pct = forms.FloatField(
        label="Starting MC",
        min_value=4,
        max_value=250,
        required=False,
        widget=forms.TextInput(attrs=TYPED),
        help_text="Blank where it is assumed: the usual figure",
    )
    target_mc_pct = forms.FloatField(
        label="Target MC", min_value=4, max_value=30, initial=7, widget=forms.TextInput(attrs=TYPED)
    )
    tolerance_pct = forms.FloatField(
        label="Tolerance ±", min_value=0.5, max_value=6, initial=1, widget=forms.TextInput(attrs=TYPED)
    )
    stacks = forms.ChoiceField(label="Who stacks", choices=Lot.Stacks.choices)
    schedule_code = forms.CharField(
        label="Schedule",
        max_length=40,
        required=False,
        help_text="Blank: the suggested one. Or a code such as T4-D2",
    )
    treatments = forms.MultipleChoiceField(
        label="Heat and pitch treatments", required=False, widget=forms.CheckboxSelectMultiple
    )
    another_treatment = forms.ChoiceField(label="Another treatment", required=False)
    arrived_on = forms.DateField(required=False)
    yard_place = forms.CharField(label="Place in the yard", max_length=40, required=False)
    declared_value = forms.DecimalField(
        max_digits=10,
        decimal_places=2,
        min_value=Decimal(0),
        required=False,
        widget=forms.TextInput(attrs=TYPED),
    )
    condition = forms.CharField(
        label="Condition on arrival",
        required=False,
        max_length=4000,
        widget=forms.Textarea,
        help_text="Checks, splits, stain, wane, bow, insects, metal",
    )
    photos = PhotosField(required=False, help_text="Faces and ends; PNG, JPEG or WebP")
    notes = forms.CharField(required=False, max_length=4000, widget=forms.Textarea)
    chamber = forms.ModelChoiceField(
        label="Chamber for the estimate",
        queryset=Chamber.objects.filter(active=True),
        required=False,
        help_text="Not stored with the lot",
        empty_label="The first one",
        to_field_name="key",
    )

    def __init__(self, *args, lot: Lot | None = None, **kwargs):
        if lot is not None:
            kwargs["initial"] = _initial(lot) | kwargs.get("initial", {})
        super().__init__(*args, **kwargs)
        self.fields["species_key"].choices = [("", "Choose a species"), *estimating.species_choices()]
        published = {treatment.key for treatment in treatments.all_treatments()}
        usual = {*USUAL_TREATMENTS, *(lot.treatments if lot is not None else ())}
        held = [(key, hold.label) for key, hold in estimating.holds().items()]
        shown = [pair for pair in held if pair[0] in usual or pair[0] not in published]
        self.fields["treatments"].choices = shown
        self.fields["another_treatment"].choices = [("", "None"), *(p for p in held if p not in shown)]
        width, length = ("mm", "m") if self.metric else ("in", "ft")
        self.fields[
            "tally_text"
        ].help_text = (
            f"One size a row: pieces, width ({width}), length ({length}). Type, or paste from a spreadsheet."
        )
        self.fields["photos"].widget.attrs["multiple"] = True

    @property
    def metric(self) -> bool:
        return units.unit("length_in").symbol == "mm"

    def clean_thickness(self):
        text = self.cleaned_data["thickness"]
        found = MILLIMETRES.fullmatch(text)
        return f"{float(found[1].replace(',', '.')) / 25.4:.4f}" if found else text

    def clean_measured_in(self):
        value = self.cleaned_data["measured_in"]
        return None if value is None else f"{value:.4f}"

    def clean_schedule_code(self):
        code = self.cleaned_data["schedule_code"].strip()
        if code and not OwnSchedule.objects.filter(key=code).exists():
            try:
                if drying := schedules.parted(code)[0]:
                    estimating.published_schedule(drying)
            except ValueError as error:
                raise ValidationError(f"{str(error)[:1].upper()}{str(error)[1:]}.") from None
        return code

    def clean(self):
        data = super().clean()
        self._clean_tally(data)
        self._clean_start(data)
        if data.get("another_treatment"):
            data["treatments"] = [*data.get("treatments", []), data["another_treatment"]]
        start, target = data.get("start_mc_pct"), data.get("target_mc_pct")
        if start is not None and target is not None and target >= start:
            self.add_error("target_mc_pct", f"{target:g} % is not below the starting {start:g} %.")
        return data

    def _clean_tally(self, data) -> None:
        data["tally"] = None
        file, text = data.get("tally_file"), data.get("tally_text") or ""
        if file:
            name, read = "tally_file", tally.read_file(file.read(tally.MAX_BYTES + 1), metric=self.metric)
        elif text.strip():
            name, read = "tally_text", tally.read_text(text, metric=self.metric)
        else:
            return
        if read.problems:
            more = len(read.problems) - 20
            told = [str(problem) for problem in read.problems[:20]]
            self.add_error(name, told + ([f"And {more} more."] if more > 0 else []))
        else:
            data["tally"] = list(read.rows)

    def _clean_start(self, data) -> None:
        if data.get("start_mc_pct") is not None or "start_mc_pct" in self.errors:
            return
        how, key = data.get("start_how"), data.get("species_key")
        if how == Lot.StartHow.ASSUMED_AIR_DRIED:
            data["start_mc_pct"] = ASSUMED_AIR_DRIED_PCT
        elif how == Lot.StartHow.ASSUMED_GREEN and key:
            species = estimating.species_for(key)
            if species.green_mc_pct:
                data["start_mc_pct"] = float(species.green_mc_pct)
            else:
                self.add_error(
                    "start_mc_pct", f"No green moisture is published for {species.common_name}; enter it."
                )
        else:
            self.add_error("start_mc_pct", "Enter the starting MC that was measured.")

    def lot_data(self) -> dict:
        """What the lot actions take."""
        apart = ("tally", "tally_text", "tally_file", "photos", "chamber", "another_treatment")
        return {name: value for name, value in self.cleaned_data.items() if name not in apart}


def _initial(lot: Lot) -> dict:
    names = (
        "species_key", "width_in", "start_how", "start_mc_pct", "target_mc_pct", "tolerance_pct", "stacks",
        "schedule_code", "treatments", "arrived_on", "yard_place", "declared_value", "condition", "notes",
    )  # fmt: skip
    initial = {name: getattr(lot, name) for name in names}
    for name in ("start_mc_pct", "target_mc_pct", "tolerance_pct"):
        initial[name] = f"{initial[name]:g}"
    lines = list(lot.tally.all())
    metric = units.unit("length_in").symbol == "mm"
    width, length = ("length_in", "length_ft") if metric else ("", "")

    def shown(kind: str, value) -> str:
        return f"{units.shown(kind, float(value)):.5g}" if kind else f"{value.normalize():f}"

    initial["thickness"] = lot.thickness_label.removesuffix(" in")
    initial["measured_in"] = lot.thickness_in if lot.thickness_measured else None
    initial["volume_bf"] = None if lines else lot.volume_bf
    initial["tally_text"] = "\n".join(
        f"{line.pieces}, {shown(width, line.width_in)}, {shown(length, line.length_ft)}" for line in lines
    )
    return initial


class QuoteForm(ShopForm):
    chamber = forms.ModelChoiceField(queryset=Chamber.objects.filter(active=True), empty_label=None)
    first_day = forms.DateField(label="Can be loaded on")
    tally_basis = forms.ChoiceField(label="Billed on", choices=Quote.TallyBasis.choices)
    price_by = forms.ChoiceField(
        label="Priced by",
        choices=lambda: [("bf", units.reworded("Board foot")), ("day", "Whole chamber, by the day")],
        initial="bf",
    )

    def clean_first_day(self):
        day, today = self.cleaned_data["first_day"], shop_today()
        if day < today:
            raise ValidationError(f"{day:%a} {day.day} {day:%b %Y} is past; use today or a later day.")
        return day


class DecisionForm(ShopForm):
    decision = forms.ChoiceField(
        label="The customer",
        choices=[("", "Choose"), ("accepted", "accepted it"), ("declined", "declined it")],
    )
    on = forms.DateField(label="On")
    note = forms.CharField(
        required=False, max_length=200, help_text="How they told us: signed copy, call, email"
    )

    def clean_on(self):
        day, today = self.cleaned_data["on"], shop_today()
        if day > today:
            raise ValidationError(f"{day:%a} {day.day} {day:%b %Y} is still to come.")
        return day


class ArrivalForm(ShopForm):
    arrived_on = forms.DateField(label="Arrived")
    place = forms.CharField(label="Place", max_length=40)
    to = forms.CharField(
        required=False, max_length=40, widget=forms.HiddenInput
    )  # a place picked by its button

    def clean(self):
        given = super().clean()
        if given.get("to"):
            given["place"] = given["to"]
            self.errors.pop("place", None)
        given.pop("to", None)
        return given


class LabelsForm(forms.Form):
    """Which labels to print; asked in the address."""

    SHEETS = [
        ("letter", "10 on US Letter, 4 × 2 in"),
        ("a4", "8 on A4, 99.1 × 67.7 mm"),
        ("single", "One a page, 4 × 6 in"),
    ]
    sheet = forms.ChoiceField(choices=SHEETS)
    lot = forms.ModelMultipleChoiceField(
        queryset=Lot.objects.select_related("order__customer"), required=False
    )
    start = forms.IntegerField(required=False, min_value=1, max_value=10)

    def clean_start(self):
        return self.cleaned_data["start"] or 1


class PromiseForm(ShopForm):
    ready_on = forms.DateField(label="Ready on")
    why = forms.CharField(label="Why this day", max_length=200)


class CancelForm(ShopForm):
    why = forms.CharField(label="Why it is cancelled", max_length=200)


class MessageForm(ShopForm):
    to = forms.EmailField(label="E-mail address", required=False)
    subject = forms.CharField(max_length=150)
    text = forms.CharField(label="Message", max_length=4000, widget=forms.Textarea(attrs={"rows": 9}))
    how = forms.ChoiceField(choices=Message.How.choices, widget=forms.HiddenInput)

    def clean(self):
        given = super().clean()
        if given.get("how") == Message.How.EMAIL and not given.get("to"):
            self.add_error("to", "Enter the address the message goes to.")
        return given
