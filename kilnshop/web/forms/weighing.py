"""Forms of samples: cutting, weighing, the oven."""

import uuid

from django import forms
from django.core.exceptions import ValidationError
from django.utils import timezone

from kilnshop.charges.models import ChargeLot, Weighing
from kilnshop.charges.sources import Sampled
from kilnshop.shop.models import Shop
from kilnshop.web import units
from kilnshop.web.forms.base import ShopForm
from kilnshop.web.forms.running import NumberField
from kilnshop.web.templatetags.shopfloor import mc, when


class ScaleField(NumberField):
    """A weight as the scale shows it; its unit is chosen once for the form."""

    def __init__(self, *, said: str = "", **kwargs):
        super().__init__(unit="", low=0.001, high=100_000, **kwargs)
        self.said = said

    @property
    def last_words(self) -> str:
        return self.said


def _metric() -> bool:
    return units.active_shop().units == Shop.Units.METRIC


def _unit(label: str, initial: str | None = None) -> forms.ChoiceField:
    return forms.ChoiceField(
        label=label,
        choices=Weighing.Unit.choices,
        initial=initial or (Weighing.Unit.KILOGRAM if _metric() else Weighing.Unit.LB),
    )


def _at() -> forms.DateTimeField:
    return forms.DateTimeField(
        label="When", initial=lambda: timezone.localtime().replace(second=0, microsecond=0)
    )


class Timed(ShopForm):
    at = _at()


def last_words(found: Sampled) -> str:
    point = found.last_weight
    if point is None:
        return ""
    meaning = "" if point.mc_pct is None else f", {mc(point.mc_pct)}"
    return f"{point.row.weight:g} {point.row.unit}{meaning}, {when(point.at)}"


class WeighForm(Timed):
    """One round of the scale: a field for each sample, the unit once."""

    entry = forms.UUIDField(widget=forms.HiddenInput, initial=uuid.uuid4)

    def __init__(self, *args, samples: list[Sampled], **kwargs):
        super().__init__(*args, **kwargs)
        last = max((row.last_weight for row in samples if row.last_weight), key=lambda p: p.at, default=None)
        self.fields["unit"] = _unit("The scale shows", last.row.unit if last else None)
        self.samples = [f"weight_{row.sample.pk}" for row in samples]
        for row in samples:
            self.fields[f"weight_{row.sample.pk}"] = ScaleField(
                label=f"{row.sample}, lot {row.sample.charge_lot.lot}",
                help_text=row.sample.position,
                required=False,
                said=last_words(row),
            )
        self.sections = [("", ["unit", *self.samples, "at", "entry"])]

    def clean(self):
        """A form that waited on a phone may weigh a sample that is no longer there."""
        data = super().clean()
        for name, value in self.data.items():
            if name.startswith("weight_") and name not in self.fields and value.strip():
                self.add_error(
                    None, f"{value[:12]} was weighed of a sample that is not in this charge. Leave it out."
                )
        return data

    def weights(self) -> dict[int, float]:
        data = self.cleaned_data
        return {int(name[7:]): data[name] for name in self.samples if data.get(name) is not None}


class SampleForm(Timed):
    charge_lot = forms.ModelChoiceField(queryset=None, label="Lot", empty_label=None)
    name = forms.CharField(label="Name", max_length=40, help_text="As written on its end, such as S1.")
    position = forms.CharField(
        label="Where in the stack",
        max_length=60,
        required=False,
        help_text="A pocket where it can be pulled without unstacking.",
    )
    weight = ScaleField(label="Weight")

    def __init__(self, *args, charge, **kwargs):
        super().__init__(*args, **kwargs)
        rows = ChargeLot.objects.filter(charge=charge).select_related("lot__order", "charge")
        self.fields["charge_lot"].queryset = rows
        self.fields["charge_lot"].label_from_instance = lambda row: f"{row.lot}"
        self.fields["unit"] = _unit("This scale shows")


class SectionsForm(ShopForm):
    """Green weights of the sections that are cut off."""

    green_1 = ScaleField(label="First section, green")
    green_2 = ScaleField(label="Second section, green", required=False)

    def __init__(self, *args, **kwargs):
        super().__init__(*args, **kwargs)
        self.fields["section_unit"] = _unit("The small scale shows", Weighing.Unit.GRAM)

    def cut(self) -> dict:
        data = self.cleaned_data
        green = [data[name] for name in ("green_1", "green_2") if data.get(name) is not None]
        return {"green": green, "section_unit": data["section_unit"]}


class CutForm(SectionsForm, SampleForm):
    """A new sample board."""

    def __init__(self, *args, **kwargs):
        super().__init__(*args, **kwargs)
        self.fields["weight"].label = "Sample board, without its sections"
        self.sections = [
            ("The board", ["charge_lot", "name", "position"]),
            ("Its sections, weighed at once", ["section_unit", "green_1", "green_2"]),
            ("The board, weighed at once", ["unit", "weight", "at"]),
        ]


class PackForm(SampleForm):
    def __init__(self, *args, **kwargs):
        super().__init__(*args, **kwargs)
        self.fields["name"].help_text = "As the pack is called, such as Pack 2."
        self.fields["position"].help_text = ""
        self.fields["weight"].label = "Weight of the wood"
        self.fields["weight"].help_text = "Without stickers, bolsters and straps, every time the same way."
        self.sections = [
            ("The pack", ["charge_lot", "name", "position"]),
            ("Its first weight", ["unit", "weight", "at"]),
        ]


class CutAgainForm(SectionsForm, Timed):
    weight = ScaleField(label="Sample board, without the new section")

    def __init__(self, *args, unit: str, **kwargs):
        super().__init__(*args, **kwargs)
        self.fields["unit"] = _unit("The scale shows", unit)
        self.sections = [("", ["section_unit", "green_1", "green_2", "unit", "weight", "at"])]


class OvenForm(ShopForm):
    """Oven-dry weights of the sections of one cut, in the unit they were weighed green."""

    def __init__(self, *args, cut, **kwargs):
        super().__init__(*args, **kwargs)
        self.sections_open = [row for row in cut.sections.all() if row.oven_dry is None]
        for number, row in enumerate(self.sections_open, 1):
            field = ScaleField(
                label=f"Section {number}, oven-dry", said=f"{row.green:g} {row.unit} green", required=False
            )
            field.unit = row.unit
            self.fields[f"dry_{row.pk}"] = field

    def clean(self):
        data = super().clean()
        if not self.errors and not any(data.values()):
            raise ValidationError("No weight was filled in.")
        return data

    def oven_dry(self) -> dict[int, float]:
        return {int(name[4:]): value for name, value in self.cleaned_data.items() if value is not None}


class AsideForm(ShopForm):
    row = forms.CharField(widget=forms.HiddenInput)
    why = forms.CharField(label="Why it is wrong", max_length=150)
