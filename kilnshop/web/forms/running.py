"""Forms at the kiln door: checklists, readings, probes, board tests, recorder logs."""

import uuid
from decimal import Decimal

from django import forms
from django.conf import settings
from django.core.exceptions import ValidationError
from django.utils import timezone

from kilnshop.charges import checklists, following, readings
from kilnshop.charges.models import CHANNELS, BoardTest, Degrade, Probe
from kilnshop.imports import logs
from kilnshop.science import meters
from kilnshop.web import charge_words, units
from kilnshop.web.charge_words import settings_of
from kilnshop.web.forms.base import ImageField, QuantityField, ShopForm, read_number
from kilnshop.web.templatetags.shopfloor import number, volume, words


class NumberField(forms.Field):
    """A plain number with its unit and range in words, and the last value beside it."""

    def __init__(self, *, unit: str, low: float, high: float, last=None, **kwargs):
        self.unit, self.low, self.high, self.last = unit, low, high, last
        kwargs.setdefault("widget", forms.TextInput(attrs={"inputmode": "decimal", "autocomplete": "off"}))
        super().__init__(**kwargs)

    @property
    def last_words(self) -> str:
        return "" if self.last is None else f"{number(self.last, 1)} {self.unit}"

    def to_python(self, value):
        if value is None or str(value).strip() == "":
            return None
        try:
            typed = read_number(str(value))
        except ValueError as error:
            raise ValidationError(str(error)) from None
        if not self.low <= typed <= self.high:
            typed, low, high = (number(value, 3) for value in (typed, self.low, self.high))
            told = f"{typed} {self.unit}".strip()
            raise ValidationError(
                f"{told} is outside what is allowed: {f'from {low} to {high} {self.unit}'.strip()}."
            )
        return typed


class ChecklistForm(ShopForm):
    """Every line done, or skipped with a reason; signed with initials."""

    def __init__(self, *args, kind: str, **kwargs):
        super().__init__(*args, **kwargs)
        self.asked = charge_words.in_own_units(checklists.lines_of(kind))
        for line in self.asked:
            self.fields[f"done_{line.key}"] = forms.BooleanField(
                label=line.text, help_text=line.why, required=False
            )
            self.fields[f"skip_{line.key}"] = forms.CharField(
                label=f"Skipped, because (“{line.text}”)", max_length=200, required=False
            )
        self.fields["initials"] = forms.CharField(
            label="Your initials",
            max_length=4,
            widget=forms.TextInput(attrs={"autocomplete": "off", "autocapitalize": "characters"}),
        )

    def lines(self):
        for line in self.asked:
            yield {"line": line, "done": self[f"done_{line.key}"], "skip": self[f"skip_{line.key}"]}

    def answers(self) -> dict:
        data = self.cleaned_data
        return {
            line.key: {"done": data[f"done_{line.key}"], "skipped_why": data[f"skip_{line.key}"]}
            for line in self.asked
        }


class OwnLineForm(ShopForm):
    text = forms.CharField(label="What is done or looked at", max_length=120)
    why = forms.CharField(
        label="Why", max_length=200, help_text="A new helper learns from it; the line is not kept without."
    )
    caution = forms.BooleanField(
        label="A caution for people: comes first, and only the owner may hide it", required=False
    )


class UnloadForm(ChecklistForm):
    """The unloading checklist, and what came out of each lot."""

    def __init__(self, *args, lots, **kwargs):
        super().__init__(*args, kind="unload", **kwargs)
        self.lots = lots
        for row in lots:
            self.fields[f"pieces_{row.pk}"] = forms.IntegerField(
                label=f"Lot {row.lot}: pieces out",
                min_value=0,
                max_value=100000,
                required=False,
                error_messages=dict.fromkeys(
                    ("min_value", "max_value", "invalid"),
                    "Give whole pieces, from 0 to 100,000, or leave it blank.",
                ),
                widget=forms.TextInput(attrs={"inputmode": "numeric", "autocomplete": "off"}),
            )
            self.fields[f"feet_{row.pk}"] = QuantityField(
                quantity="volume_bf",
                decimal_places=2,
                low=0,
                high=1_000_000,
                help_text=f"{volume(row.lot.volume_bf)} went in.",
                label=f"Lot {row.lot}: volume out",
            )

    def count_fields(self):
        return [(row, self[f"pieces_{row.pk}"], self[f"feet_{row.pk}"]) for row in self.lots]

    def counts(self) -> dict:
        data = self.cleaned_data
        return {row.pk: (data[f"pieces_{row.pk}"], data[f"feet_{row.pk}"]) for row in self.lots}


class ReadingForm(ShopForm):
    """One reading; the last value stands beside each field."""

    taken_at = forms.DateTimeField(label="Taken at")
    entry = forms.UUIDField(widget=forms.HiddenInput)
    typed_in = forms.CharField(widget=forms.HiddenInput, required=False, max_length=4)

    def __init__(self, *args, charge, **kwargs):
        super().__init__(*args, **kwargs)
        last = {name: value for name, (value, _) in following.last_values(charge).items()}
        self.fields["taken_at"].initial = lambda: timezone.localtime().replace(second=0, microsecond=0)
        self.fields["entry"].initial = uuid.uuid4
        self.fields["typed_in"].initial = units.unit("temp_f").symbol
        for name in ("dry_bulb_f", "wet_bulb_f"):
            label, low, high, _ = readings.RANGES[name]
            self.fields[name] = QuantityField(
                quantity="temp_f", low=low, high=high, label=label, required=False, last=last.get(name)
            )
        walk = following.walked(charge)
        for probe in walk:
            name = f"ch{probe.channel}"
            _, low, high, _ = readings.RANGES[probe.kind]
            shared = {
                "low": low,
                "high": high,
                "label": f"{probe.channel}: {following.channel_label(probe)}",
                "help_text": probe.position,
                "required": False,
                "last": last.get(name),
            }
            if probe.kind == Probe.Kind.CORE:
                self.fields[name] = QuantityField(quantity="temp_f", **shared)
            else:
                self.fields[name] = NumberField(unit="%", **shared)
        self.fields["wood_temp_f"] = QuantityField(
            quantity="temp_f",
            low=-20,
            high=185,
            label="Wood temperature",
            required=False,
            help_text="Blank: the dry bulb is used to correct the moisture.",
        )
        _, low, high, _ = readings.RANGES["condensate_lb"]
        self.fields["condensate_lb"] = QuantityField(
            quantity="weight_lb",
            low=low,
            high=high,
            label="Condensate counter" if charge.drain_counts else "Condensate since the last reading",
            required=False,
            last=last.get("condensate_lb"),
        )
        _, low, high, unit = readings.RANGES["meter_kwh"]
        self.fields["meter_kwh"] = NumberField(
            unit=unit,
            low=low,
            high=high,
            label="Electricity meter",
            required=False,
            last=last.get("meter_kwh"),
        )
        self.fields["note"] = forms.CharField(max_length=500, required=False, label="Note")
        self.fields["photo"] = ImageField(
            limit_mb=settings.UPLOAD_LIMIT_MB,
            required=False,
            label="Photo",
            widget=forms.FileInput(
                attrs={"accept": "image/png,image/jpeg,image/webp", "capture": "environment"}
            ),
        )
        self.sections = [
            ("Air, at the door", ["dry_bulb_f", "wet_bulb_f"]),
            ("Probes, from the top down", [f"ch{probe.channel}" for probe in walk] + ["wood_temp_f"]),
            ("Water and electricity", ["condensate_lb", "meter_kwh"]),
            ("What you saw, and when", ["note", "photo", "taken_at", "entry", "typed_in"]),
        ]
        if not walk:
            del self.fields["wood_temp_f"]
        for name in (*self.sections[0][1], *self.sections[1][1], *self.sections[2][1], "note"):
            if name in self.fields:
                self.fields[name].widget.attrs["enterkeyhint"] = "next"
        self.fields["taken_at"].widget = forms.DateTimeInput(
            format="%Y-%m-%dT%H:%M", attrs={"type": "datetime-local"}
        )

    def clean(self):
        """A form that waited on a phone may be older than the probes and the units it was typed for."""
        data = super().clean()
        for name in readings.CHANNEL_NAMES:
            if self.data.get(name, "").strip() and name not in self.fields:
                self.add_error(
                    None,
                    f"Channel {name[2:]} was read {self.data[name][:12]}, but no probe is set up there now. Set it up "
                    "again, or put the figure in the note and leave the channel out.",
                )
        if data.get("typed_in") and data["typed_in"] != units.unit("temp_f").symbol:
            self.add_error(
                None,
                "The shop has changed its units since this was typed. Open the page again and type it anew.",
            )
        return data

    def values(self) -> dict:
        wanted = (*readings.CHANNEL_NAMES, "dry_bulb_f", "wet_bulb_f", "condensate_lb", "meter_kwh")
        return {name: self.cleaned_data[name] for name in wanted if self.cleaned_data.get(name) is not None}


class StepForm(ShopForm):
    to_index = forms.TypedChoiceField(label="Step now set", coerce=int)
    compressor_off = forms.BooleanField(label="The compressor is switched off", required=False)
    why = forms.CharField(label="Why", max_length=300, help_text="Such as the reading that called for it.")
    all_the_same = forms.BooleanField(
        label="Start this stage all the same",
        required=False,
        help_text="When its conditions are not met; owner only.",
    )

    def __init__(self, *args, charge, may_override, **kwargs):
        super().__init__(*args, **kwargs)
        planned = following.steps(charge)
        if all(step.switches["compressor"] == "on" for step in planned):
            del self.fields["compressor_off"]
        if not may_override or all(step.kind == "dry" for step in planned):
            del self.fields["all_the_same"]
        choices = [
            (step.index, f"Step {step.number}, {step.name}: {settings_of(step)}")
            for step in planned
            if step.index != charge.step_index
        ]
        after = charge.step_index + 1
        self.fields["to_index"].initial = after if after < len(planned) else ""
        self.fields["to_index"].choices = choices if after < len(planned) else [("", "Choose"), *choices]


class NoteForm(ShopForm):
    text = forms.CharField(label="Note", max_length=300)


class CorrectionForm(ShopForm):
    channel = forms.TypedChoiceField(label="Channel", coerce=int)
    value = NumberField(label="Moisture is really", unit="%", low=0, high=300)
    why = forms.CharField(
        label="Why", max_length=200, help_text="Such as an oven-dry section of the same board."
    )

    def __init__(self, *args, reading, probes, **kwargs):
        super().__init__(*args, **kwargs)
        self.fields["channel"].choices = [
            (channel, f"{channel}: {following.channel_label(probe)}")
            for channel, probe in probes.items()
            if probe.kind == Probe.Kind.MOISTURE and reading.channel(channel) is not None
        ]


OWN_SPECIES = "own"


class ProbeForm(ShopForm):
    """One channel; empty kind means no probe."""

    kind = forms.ChoiceField(
        label="Measures", choices=[("", "No probe"), *Probe.Kind.choices], required=False
    )
    charge_lot = forms.ModelChoiceField(queryset=None, label="Lot", required=False)
    board = forms.CharField(label="Board", max_length=40, required=False)
    depth_in = QuantityField(quantity="length_in", low=0, high=8, label="Depth", required=False)
    position = forms.CharField(label="Where in the stack", max_length=60, required=False)
    pin_length_in = QuantityField(quantity="length_in", low=0.1, high=8, label="Pin length", required=False)
    scale_species = forms.ChoiceField(label="Meter is set to", required=False)
    temp_channel = forms.TypedChoiceField(
        label="Wood temperature from", coerce=int, empty_value=None, required=False
    )
    corrects_temperature = forms.BooleanField(
        label="The meter corrects for temperature itself", required=False
    )

    def __init__(self, *args, charge, channel, **kwargs):
        super().__init__(*args, prefix=f"ch{channel}", **kwargs)
        self.channel = channel
        self.fields["scale_species"].choices = [
            ("", "Douglas-fir scale"),
            (OWN_SPECIES, "This lot's wood"),
            *((key, words(key)) for key in meters.corrected_species() if key != meters.SCALE_KEY),
        ]
        self.fields["temp_channel"].choices = [
            ("", "Typed or air"),
            *((n, f"Channel {n}") for n in CHANNELS if n != channel),
        ]
        rows = charge.charge_lots.select_related("lot__order")
        self.fields["charge_lot"].queryset = rows
        self.fields["charge_lot"].label_from_instance = lambda row: f"{row.lot}"
        self.fields["charge_lot"].empty_label = None if len(rows) == 1 else "Choose a lot"

    def clean(self):
        data = super().clean()
        if data.get("kind") and not data.get("charge_lot"):
            self.add_error("charge_lot", f"Channel {self.channel}: choose the lot its board belongs to.")
        elif data.get("scale_species") == OWN_SPECIES and data.get("charge_lot"):
            data["scale_species"] = data["charge_lot"].lot.species_key
        return data


class DrainForm(ShopForm):
    drain_counts = forms.TypedChoiceField(
        label="Condensate is read",
        coerce=lambda value: value == "True",
        choices=[
            ("False", "Bucket, since the last"),
            ("True", "Counter, running total"),
        ],
    )


class BoardTestsForm(ShopForm):
    """What all the boards of one sitting share."""

    charge_lot = forms.ModelChoiceField(queryset=None, label="Lot", empty_label=None)
    method = forms.ChoiceField(label="Method", choices=list(readings.METHODS.items()))
    meter = forms.CharField(label="Meter or scale", max_length=60, required=False)
    depth_in = QuantityField(
        quantity="length_in",
        low=0,
        high=8,
        label="Pin depth",
        required=False,
        help_text="A quarter of the thickness reads the board's average, half reads its core.",
    )
    measured_on = forms.DateField(label="Measured on")

    def __init__(self, *args, charge, **kwargs):
        super().__init__(*args, **kwargs)
        self.fields["charge_lot"].queryset = charge.charge_lots.select_related("lot__order")
        self.fields["charge_lot"].label_from_instance = lambda row: f"{row.lot}"
        self.fields["measured_on"].initial = timezone.localdate


class BoardForm(ShopForm):
    board = forms.CharField(label="Board", max_length=40, required=False)
    raw_pct = NumberField(label="Read", unit="%", low=0, high=100, required=False)
    wood_temp_f = QuantityField(
        quantity="temp_f", low=-20, high=185, label="Wood temperature", required=False
    )
    prong = forms.ChoiceField(
        label="Casehardening", choices=[("", "No prong test"), *BoardTest.Prong.choices], required=False
    )

    def clean(self):
        data = super().clean()
        if data.get("board") and data.get("raw_pct") is None and "raw_pct" not in self.errors:
            self.add_error("raw_pct", f"Board {data['board']} has no figure.")
        if data.get("raw_pct") is not None and not data.get("board"):
            self.add_error("board", "Say which board this is.")
        return data


class DegradeForm(ShopForm):
    """What one cause took from one lot."""

    charge_lot = forms.ModelChoiceField(queryset=None, label="Lot", empty_label=None)
    cause = forms.ChoiceField(label="Cause", choices=Degrade.Cause.choices)
    volume_bf = QuantityField(
        quantity="volume_bf",
        decimal_places=2,
        low=Decimal("0.01"),
        high=1_000_000,
        label="Lost grade",
        required=False,
    )
    note = forms.CharField(label="What was seen", max_length=200, required=False)

    def __init__(self, *args, lots, **kwargs):
        super().__init__(*args, **kwargs)
        self.fields["charge_lot"].queryset = lots
        self.fields["charge_lot"].label_from_instance = lambda row: f"{row.lot}"

    def clean(self):
        data = super().clean()
        if data.get("note") and data.get("volume_bf") is None and "volume_bf" not in self.errors:
            self.add_error("volume_bf", f"“{data['note']}” has no volume: say how much lost grade.")
        return data


DegradeFormSet = forms.formset_factory(DegradeForm, extra=1, max_num=100, absolute_max=100)
BoardFormSet = forms.formset_factory(BoardForm, extra=6, max_num=200, absolute_max=200)


class LogFileForm(ShopForm):
    file = forms.FileField(
        label="The recorder's file",
        help_text="CSV or text, as the recorder writes it: any columns, comma, semicolon or tab.",
    )

    def clean_file(self):
        file = self.cleaned_data["file"]
        if file.size > settings.LOG_LIMIT_MB * 1024 * 1024:
            raise ValidationError(
                f"“{file.name}” is {file.size / 1048576:.0f} MB; files up to {settings.LOG_LIMIT_MB} MB are taken."
            )
        return file


class UndoImportForm(ShopForm):
    why = forms.CharField(label="Why", max_length=200, help_text="Such as the file of another chamber.")


class LogMappingForm(ShopForm):
    """Which column is what: asked once for a chamber, then remembered."""

    unit = forms.ChoiceField(label="Temperatures are in", choices=[("", "Choose"), ("F", "°F"), ("C", "°C")])
    order = forms.ChoiceField(label="Dates are written", choices=[("", "Choose"), *logs.ORDERS.items()])
    clocks = forms.ChoiceField(label="The recorder's clock", choices=list(logs.CLOCKS.items()))
    decimal = forms.ChoiceField(
        label="Decimals", choices=[(".", "Point, such as 110.5"), (",", "Comma, such as 110,5")]
    )

    def __init__(self, *args, header, probes, remembered=None, **kwargs):
        initial = {}
        if remembered:
            initial = {
                key: remembered.get(key) for key in ("unit", "order", "clocks", "decimal", "time", "clock")
            }
            initial |= {f"col_{key}": name for key, name in remembered.get("columns", {}).items()}
        super().__init__(*args, initial=initial, **kwargs)
        names = [(name, name) for name in header]
        self.fields["time"] = forms.ChoiceField(
            label="Date and time, or date", choices=[("", "Choose"), *names]
        )
        self.fields["clock"] = forms.ChoiceField(
            label="Time of day, when in its own column",
            choices=[("", "In the same column"), *names],
            required=False,
        )
        wanted = {
            **{key: word.capitalize() for key, word in logs.TEMPERATURES.items()},
            logs.HUMIDITY: "Relative humidity (%), if there is no wet bulb",
            **{f"ch{n}": f"Channel {n}: {following.channel_label(probe)}" for n, probe in probes.items()},
            "condensate_lb": "Condensate (lb)",
            "meter_kwh": "Electricity meter (kWh)",
        }
        self.columns = list(wanted)
        for key, label in wanted.items():
            self.fields[f"col_{key}"] = forms.ChoiceField(
                label=label, choices=[("", "Not in the file"), *names], required=False
            )
        self.sections = [
            ("The time", ["time", "clock", "order", "clocks"]),
            ("The values", ["unit", "decimal", *(f"col_{key}" for key in wanted)]),
        ]

    def mapping(self) -> dict:
        data = self.cleaned_data
        return {
            **{key: data[key] for key in ("time", "clock", "unit", "order", "clocks", "decimal")},
            "columns": {key: data[f"col_{key}"] for key in self.columns if data[f"col_{key}"]},
        }
