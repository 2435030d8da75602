"""What every form shares: the field's unit beside it, quantities in the shop's units, grouped fields."""

import re
from decimal import Decimal, InvalidOperation
from fractions import Fraction

from django import forms
from django.core.exceptions import ValidationError
from django.core.validators import MaxValueValidator, MinValueValidator
from django.forms.renderers import TemplatesSetting
from PIL import Image

from kilnshop.science import schedules
from kilnshop.shop.models import Chamber
from kilnshop.web import units

THOUSANDS = re.compile(r"^-?\d{1,3}(,\d{3})+(\.\d*)?$")
FRACTION = re.compile(r"^(?:(\d+)[ -]+)?(\d+)/(\d+)$")


class KilnshopRenderer(TemplatesSetting):
    form_template_name = "pieces/form_fields.html"
    field_template_name = "pieces/field.html"


def read_number(text: str, *, fractions: bool = False) -> float:
    """A typed number: 1,234.5, with `fractions` also 1 1/8. Raises ValueError in words."""
    tidy = text.strip().replace("−", "-").replace("\u2009", "")
    if THOUSANDS.match(tidy):
        tidy = tidy.replace(",", "")
    found = FRACTION.match(tidy) if fractions else None
    try:
        if found:
            return float(int(found[1] or 0) + Fraction(int(found[2]), int(found[3])))
        value = float(tidy)
    except (ValueError, ZeroDivisionError):
        raise ValueError(
            f"“{text.strip()}” is not a number. Type it like {'1 1/8 or 1.125' if fractions else '12.5'}."
        ) from None
    if value != value or value in (float("inf"), float("-inf")):
        raise ValueError(f"“{text.strip()}” is not a number. Type it like 12.5.")
    return value


class QuantityField(forms.Field):
    """A number with a unit, shown and typed in the shop's unit, cleaned to the stored US one.

    `quantity` is a key of units.UNITS; `low` and `high` are in the stored unit. With `decimal_places` the
    cleaned value is a Decimal of that many places.
    """

    def __init__(self, *, quantity: str, low=None, high=None, decimal_places=None, last=None, **kwargs):
        self.quantity, self.low, self.high = quantity, low, high
        self.decimal_places, self.last = decimal_places, last
        wide = "text" if quantity == "length_in" else "decimal"
        kwargs.setdefault("widget", forms.TextInput(attrs={"inputmode": wide, "autocomplete": "off"}))
        super().__init__(**kwargs)

    @property
    def unit(self) -> str:
        return units.unit(self.quantity).symbol

    @property
    def last_words(self) -> str:
        return "" if self.last is None else units.in_words(self.quantity, self.last)

    def prepare_value(self, value):
        if isinstance(value, (int, float, Decimal)):
            places = units.unit(self.quantity).places
            text = units.plain(units.shown(self.quantity, float(value)), max(places, 4) if places else 0)
            return text.replace(",", "").replace("−", "-")
        return value

    def to_python(self, value):
        if value is None or str(value).strip() == "":
            return None
        try:
            typed = read_number(str(value), fractions=self.quantity == "length_in")
        except ValueError as error:
            raise ValidationError(str(error)) from None
        kept = units.stored(self.quantity, typed)
        if units.unit(self.quantity).factor == 1:
            kept = typed
        if self.decimal_places is None:
            return kept
        try:
            return Decimal(str(kept)).quantize(Decimal(1).scaleb(-self.decimal_places))
        except InvalidOperation:
            raise ValidationError(f"“{value}” is far too large. Type it like 12.5.") from None

    def validate(self, value):
        super().validate(value)
        if value is None:
            return
        slack = 1e-6 * max(1.0, abs(float(value)))
        too_low = self.low is not None and float(value) < float(self.low) - slack
        too_high = self.high is not None and float(value) > float(self.high) + slack
        if too_low or too_high:
            here = units.in_words(self.quantity, float(value))
            if self.low is not None and self.high is not None:
                bounds = f"from {units.in_words(self.quantity, self.low)} to " + units.in_words(
                    self.quantity, self.high
                )
            elif too_low:
                bounds = f"{units.in_words(self.quantity, self.low)} or more"
            else:
                bounds = f"{units.in_words(self.quantity, self.high)} or less"
            raise ValidationError(f"{here} is outside what is allowed: {bounds}.")

    def has_changed(self, initial, data):
        try:
            new = self.to_python(data)
        except ValidationError:
            return True
        if initial in (None, "") or new is None:
            return (initial in (None, "")) != (new is None)
        return abs(float(initial) - float(new)) > 1e-3 * max(1.0, abs(float(initial)))


class ImageField(forms.ImageField):
    """A picture: PNG, JPEG or WebP by its content, not its name, and not too big."""

    FORMATS = ("PNG", "JPEG", "WEBP")

    def __init__(self, *, limit_mb: int = 15, **kwargs):
        self.limit_mb = limit_mb
        kwargs.setdefault(
            "widget", forms.ClearableFileInput(attrs={"accept": "image/png,image/jpeg,image/webp"})
        )
        super().__init__(**kwargs)

    def to_python(self, data):
        if data not in (None, "") and getattr(data, "size", 0) > self.limit_mb * 1024 * 1024:
            raise ValidationError(
                f"“{data.name}” is {data.size / 1048576:.0f} MB; pictures up to {self.limit_mb} MB are taken."
            )
        try:
            file = super().to_python(data)
        except Image.DecompressionBombError:
            raise ValidationError(f"“{data.name}” has too many pixels; send a smaller picture.") from None
        if file is not None and hasattr(file, "image") and file.image.format not in self.FORMATS:
            raise ValidationError(
                f"“{data.name}” is a {file.image.format} picture; send a PNG, JPEG or WebP file."
            )
        return file


class Grouped:
    """Adds to a form: `sections` as [(title, [names])], `units` as {name: unit}, `lasts` as {name: words}."""

    sections: list[tuple[str, list[str]]] = []
    units: dict[str, str] = {}
    quantities: dict[str, str] = {}

    def __init__(self, *args, **kwargs):
        super().__init__(*args, **kwargs)
        for name, kind in self.quantities.items():
            old = self.fields[name]
            model_field = getattr(getattr(self, "instance", None), "_meta", None)
            checks = model_field.get_field(name).validators if model_field else old.validators
            self.fields[name] = QuantityField(
                quantity=kind,
                low=next((v.limit_value for v in checks if isinstance(v, MinValueValidator)), None),
                high=next((v.limit_value for v in checks if isinstance(v, MaxValueValidator)), None),
                decimal_places=getattr(old, "decimal_places", None),
                label=old.label,
                required=old.required,
                help_text=old.help_text,
                initial=old.initial,
            )
        for name, unit in self.units.items():
            self.fields[name].unit = unit
        for field in self.fields.values():
            if field.error_messages["required"] == forms.Field.default_error_messages["required"]:
                field.error_messages["required"] = "This field is required: fill it in."
            if isinstance(field.widget, forms.NumberInput):
                field.widget.attrs.setdefault("inputmode", "decimal")
            if isinstance(field, forms.DateField):
                field.widget = forms.DateInput(format="%Y-%m-%d", attrs={"type": "date"})
            elif isinstance(field, forms.DateTimeField):
                field.widget = forms.DateTimeInput(format="%Y-%m-%dT%H:%M", attrs={"type": "datetime-local"})
            elif isinstance(field.widget, forms.Textarea):
                field.widget.attrs.update(
                    rows=field.widget.attrs.get("rows") if self._asked_rows(field) else 3
                )

    @staticmethod
    def _asked_rows(field) -> bool:
        return str(field.widget.attrs.get("rows", "10")) != "10"

    def grouped(self):
        """(title, fields) in the order of `sections`; what no section names comes last."""
        named = [name for _, names in self.sections for name in names]
        groups = [
            (title, [self[name] for name in names if name in self.fields]) for title, names in self.sections
        ]
        rest = [self[name] for name in self.fields if name not in named]
        return [(title, fields) for title, fields in [*groups, ("", rest)] if fields]

    def problems(self) -> list[dict]:
        """What was refused, for a phone that shows it itself."""
        return [
            {"name": name, "label": self[name].label, "text": text}
            if name in self.fields
            else {"name": "", "label": "", "text": text}
            for name, texts in self.errors.items()
            for text in texts
        ]

    def refuse(self, error: ValidationError) -> None:
        """Show what an action refused, at the field it names where the form has it."""
        if hasattr(error, "error_dict"):
            for name, errors in error.error_dict.items():
                self.add_error(name if name in self.fields else None, errors)
        else:
            self.add_error(None, error)


class Rows(forms.BaseInlineFormSet):
    """Rows of a form, each of which can be removed."""

    deletion_widget = forms.CheckboxInput

    def add_fields(self, form, index):
        super().add_fields(form, index)
        if "DELETE" in form.fields:
            form.fields["DELETE"].label = "Remove"


class ShopForm(Grouped, forms.Form):
    pass


class FinishForm(ShopForm):
    """A schedule's code and what follows drying; one code in the cleaned data, see `schedules.parted`."""

    NO_FINISH = "Nothing more"
    finish = forms.ChoiceField(label="After drying", required=False)

    def __init__(self, *args, **kwargs):
        super().__init__(*args, **kwargs)
        drying, ending = schedules.parted(self.initial.get("schedule_code") or "")
        self.initial |= {"schedule_code": drying, "finish": ending}
        offered = dict(schedules.FINISHES)
        if not Chamber.objects.filter(active=True, has_humidifier=True).exists():
            del offered["condition"]
            self.fields["finish"].help_text = "Conditioning is not offered: no chamber has a humidifier"
        offered |= {ending: schedules.FINISHES[ending]} if ending else {}
        self.fields["finish"].choices = [("", self.NO_FINISH), *offered.items()]

    def clean(self):
        data = super().clean()
        ending = data.pop("finish", "")
        if "schedule_code" in data:
            try:
                drying, typed = schedules.parted(data["schedule_code"])
                data["schedule_code"] = schedules.joined(drying, ending or typed)
            except ValueError as error:
                self.add_error("schedule_code", f"{str(error)[:1].upper()}{str(error)[1:]}.")
        return data


class ShopModelForm(Grouped, forms.ModelForm):
    pass
