"""Forms of the set-up pages."""

import zoneinfo

from django import forms
from django.contrib.auth.forms import AuthenticationForm
from django.contrib.auth.password_validation import validate_password
from django.contrib.auth.validators import UnicodeUsernameValidator
from django.core.exceptions import ValidationError
from django.forms import inlineformset_factory

from kilnshop.science import schedules
from kilnshop.science import species as woods
from kilnshop.shop.models import (
    Address,
    Chamber,
    Contact,
    Customer,
    OwnSchedule,
    OwnSpecies,
    OwnTreatment,
    Person,
    Rate,
    RateCard,
    Shop,
    Tariff,
    TariffPeriod,
)
from kilnshop.web import units
from kilnshop.web.forms.base import ImageField, QuantityField, Rows, ShopForm, ShopModelForm, read_number

MONTHS = 12
CERTIFICATE_MB = 5
CERTIFICATE_STARTS = {".pdf": (b"%PDF-",), ".png": (b"\x89PNG",), ".jpg": (b"\xff\xd8\xff",)}
CERTIFICATE_STARTS[".jpeg"] = CERTIFICATE_STARTS[".jpg"]


class SignInForm(AuthenticationForm):
    error_messages = {
        "invalid_login": "That name and password do not belong together. Check both; capital letters count.",
        "inactive": "This sign-in is switched off. The owner can switch it on under Set-up, People.",
    }

    def __init__(self, *args, **kwargs):
        super().__init__(*args, **kwargs)
        self.fields["username"].label = "Name to sign in with"


class FirstOwnerForm(ShopForm):
    shop_name = forms.CharField(label="Name of the shop", max_length=80)
    first_name = forms.CharField(max_length=150)
    last_name = forms.CharField(max_length=150, required=False)
    initials = forms.CharField(max_length=4, help_text="Up to 4 letters, for signing checklists.")
    username = forms.CharField(
        label="Name to sign in with", max_length=150, validators=[UnicodeUsernameValidator()]
    )
    password = forms.CharField(
        widget=forms.PasswordInput(attrs={"autocomplete": "new-password"}),
        help_text="At least 8 characters, not a common word.",
        validators=[validate_password],
    )
    sections = [
        ("The shop", ["shop_name"]),
        ("You, its owner", ["first_name", "last_name", "initials", "username", "password"]),
    ]


def _zones() -> list[tuple[str, str]]:
    known = sorted(name for name in zoneinfo.available_timezones() if "/" in name and name[:4] != "Etc/")
    return [(name, name.replace("_", " ")) for name in known] + [("UTC", "UTC")]


class ProfileForm(ShopModelForm):
    logo = ImageField(required=False, limit_mb=2, help_text="PNG, JPEG or WebP, up to 2 MB.")
    time_zone = forms.ChoiceField(choices=_zones)
    months = forms.CharField(
        label="Mean outside temperature by month",
        required=False,
        help_text="Twelve numbers, January first, with spaces between. Blank: a middling 50 °F (10 °C) all year.",
    )
    quantities = {"elevation_ft": "elevation_ft"}
    units = {
        "tax_rate_pct": "%",
        "outside_rh_pct": "%",
        "quote_valid_days": "days",
        "payment_days": "days",
        "promise_margin_days": "days",
        "reading_every_hours": "hours",
    }
    sections = [
        ("The shop", ["name", "address", "phone", "email", "logo"]),
        (
            "Tax and terms",
            ["tax_name", "tax_rate_pct", "currency_symbol", "payment_days", "quote_valid_days"],
        ),
        ("Printed on papers", ["quote_terms", "invoice_terms", "storage_advice", "paper"]),
        ("Units and clock", ["units", "time_zone"]),
        (
            "Numbers begin with",
            [
                "order_prefix",
                "quote_prefix",
                "charge_prefix",
                "ticket_prefix",
                "invoice_prefix",
                "credit_prefix",
            ],
        ),
        ("Around the kiln", ["elevation_ft", "outside_rh_pct", "months"]),
        ("Habits", ["reading_every_hours", "promise_margin_days"]),
    ]

    class Meta:
        model = Shop
        exclude = ["outside_temp_f"]
        labels = {
            "name": "Name of the shop",
            "tax_rate_pct": "Tax rate",
            "elevation_ft": "Height above the sea",
            "outside_rh_pct": "Mean outside humidity",
            "reading_every_hours": "A reading is due every",
            "promise_margin_days": "Added to the high end when promising",
            "payment_days": "Invoices are due after",
            "quote_valid_days": "Quotes are good for",
            "paper": "Paper size",
        }

    def __init__(self, *args, **kwargs):
        super().__init__(*args, **kwargs)
        self.fields["months"].unit = units.unit("temp_f").symbol
        if self.instance.outside_temp_f:
            self.initial["months"] = " ".join(
                f"{units.shown('temp_f', value):.0f}" for value in self.instance.outside_temp_f
            )

    def clean_months(self):
        typed = self.cleaned_data["months"].replace(";", " ").split()
        if not typed:
            return []
        try:
            found = [units.stored("temp_f", read_number(word)) for word in typed]
        except ValueError as error:
            raise ValidationError(str(error)) from None
        if len(found) != MONTHS:
            raise ValidationError(f"{len(found)} numbers were given; twelve are needed, January first.")
        wrong = next((value for value in found if not -60 <= value <= 130), None)
        if wrong is not None:
            raise ValidationError(
                f"{units.in_words('temp_f', wrong)} cannot be a monthly mean; allowed is "
                f"{units.in_words('temp_f', -60)} to {units.in_words('temp_f', 130)}."
            )
        return [round(value, 2) for value in found]

    def clean(self):
        cleaned = super().clean()
        if "months" in cleaned:
            self.instance.outside_temp_f = cleaned["months"]
        return cleaned


class PersonForm(ShopModelForm):
    password = forms.CharField(
        required=False,
        widget=forms.PasswordInput(attrs={"autocomplete": "new-password"}),
        help_text="At least 8 characters, not a common word.",
    )
    sections = [
        ("Person", ["first_name", "last_name", "initials", "email"]),
        ("Sign-in and role", ["username", "password", "role", "is_active"]),
    ]

    class Meta:
        model = Person
        fields = ["first_name", "last_name", "initials", "email", "username", "role", "is_active"]
        labels = {"username": "Name to sign in with", "is_active": "May sign in"}
        help_texts = {"username": "", "is_active": "", "initials": "For signing checklists."}

    def __init__(self, *args, **kwargs):
        super().__init__(*args, **kwargs)
        self.fields["first_name"].required = self.fields["initials"].required = True
        if self.instance.pk:
            self.fields["password"].label = "New password"
            self.fields["password"].help_text = "Blank keeps the present one."


class CustomerForm(ShopModelForm):
    sections = [
        ("Customer", ["name", "is_house", "notes"]),
        ("Tax exemption", ["tax_exempt", "exemption_number", "exemption_expires", "exemption_file"]),
    ]

    class Meta:
        model = Customer
        fields = [
            "name",
            "is_house",
            "notes",
            "tax_exempt",
            "exemption_number",
            "exemption_expires",
            "exemption_file",
        ]
        labels = {
            "is_house": "Our own stock, not a paying customer",
            "exemption_number": "Certificate number",
            "exemption_expires": "Certificate good until",
            "exemption_file": "Copy of the certificate",
        }
        help_texts = {"exemption_file": f"PDF, PNG or JPEG, up to {CERTIFICATE_MB} MB."}

    def __init__(self, *args, sees_prices: bool, **kwargs):
        super().__init__(*args, **kwargs)
        if not sees_prices:
            for name in ("tax_exempt", "exemption_number", "exemption_expires", "exemption_file"):
                del self.fields[name]

    def clean_exemption_file(self):
        file = self.cleaned_data["exemption_file"]
        if not file or not hasattr(file, "content_type"):
            return file
        ending = "." + file.name.rsplit(".", 1)[-1].lower()
        start = file.read(8)
        file.seek(0)
        if not any(start.startswith(mark) for mark in CERTIFICATE_STARTS.get(ending, ())):
            raise ValidationError(f"“{file.name}” is not a PDF, PNG or JPEG file.")
        if file.size > CERTIFICATE_MB * 1024 * 1024:
            raise ValidationError(f"“{file.name}” is larger than {CERTIFICATE_MB} MB.")
        return file


class ContactForm(ShopModelForm):
    class Meta:
        model = Contact
        fields = ["name", "role", "phone", "email"]


class AddressForm(ShopModelForm):
    class Meta:
        model = Address
        fields = ["kind", "text"]


def _rows(parent, model, form, *, extra):
    return inlineformset_factory(
        parent, model, form=form, formset=Rows, extra=extra, can_delete=True, max_num=40
    )


ContactRows = _rows(Customer, Contact, ContactForm, extra=1)
AddressRows = _rows(Customer, Address, AddressForm, extra=1)


class ChamberForm(ShopModelForm):
    quantities = {
        "length_ft": "length_ft",
        "width_ft": "length_ft",
        "height_ft": "length_ft",
        "wall_r": "r_value",
        "air_velocity_fpm": "speed_fpm",
        "fan_cfm": "flow_cfm",
        "plenum_in": "length_in",
        "baffle_height_ft": "length_ft",
        "sticker_in": "length_in",
        "sticker_spacing_in": "length_in",
        "bolster_in": "length_in",
        "pack_height_in": "length_in",
        "removal_lb_per_day": "rate_lb_per_day",
        "removal_at_dry_bulb_f": "temp_f",
        "lockout_dry_bulb_f": "temp_f",
        "max_dry_bulb_f": "temp_f",
        "leak_kg_per_h": "flow_kg_per_h",
        "stack_length_ft": "length_ft",
        "stack_width_ft": "length_ft",
        "stack_height_ft": "length_ft",
        "capacity_bf": "volume_bf",
    }
    units = {
        "heater_kw": "kW",
        "fan_kw": "kW",
        "removal_at_rh_pct": "% RH",
        "compressor_kw": "kW",
        "blower_kw": "kW",
    }
    sections = [
        ("Chamber", ["name", "active"]),
        ("Inside", ["length_ft", "width_ft", "height_ft", "wall_r", "leak_kg_per_h", "has_vents"]),
        (
            "Heat and air",
            ["heater_kw", "max_dry_bulb_f", "fan_kw", "fan_cfm", "air_velocity_fpm", "has_humidifier"],
        ),
        (
            "Dehumidifier, from its plate or manual",
            [
                "removal_lb_per_day",
                "removal_at_dry_bulb_f",
                "removal_at_rh_pct",
                "compressor_kw",
                "blower_kw",
                "lockout_dry_bulb_f",
                "unit_inside",
            ],
        ),
        ("Sensors", ["sensors_checked_on"]),
        ("Stack that fits", ["stack_length_ft", "stack_width_ft", "stack_height_ft", "capacity_bf"]),
        (
            "How it is stacked",
            [
                "door_at",
                "units_deep",
                "plenum_in",
                "baffle_height_ft",
                "bolster_in",
                "sticker_in",
                "sticker_spacing_in",
                "pack_height_in",
            ],
        ),
    ]

    class Meta:
        model = Chamber
        exclude = ["key"]
        labels = {
            "active": "In use",
            "heater_kw": "Heater",
            "compressor_kw": "Compressor",
            "blower_kw": "Blower of the unit",
            "removal_at_dry_bulb_f": "Rated at a dry bulb of",
            "removal_at_rh_pct": "Rated at a humidity of",
            "leak_kg_per_h": "Air leaking in and out",
            "lockout_dry_bulb_f": "Compressor locks out above",
            "has_humidifier": "Has a humidifier or steam spray",
            "has_vents": "Has vents",
            "stack_length_ft": "Length of the stack",
            "stack_width_ft": "Width of the stack",
            "stack_height_ft": "Height of the stack",
        }
        help_texts = {
            "air_velocity_fpm": "Measured at the leaving side counts most. Blank: worked out from the fans' air.",
            "fan_cfm": "All fans together at their pressure, from the plate or manual",
            "stack_length_ft": "Along the boards",
            "stack_width_ft": "The way the air goes, all units together",
            "stack_height_ft": "From the floor, bolsters included",
            "units_deep": "Packs one behind the other the way the air goes",
            "plenum_in": "Kept free between machines and stack, usually 10 in or more. Blank: half of what is free",
            "baffle_height_ft": "Blank: half a foot above the stack",
            "bolster_in": "Or bunks, under the stack and between packs",
            "sensors_checked_on": "Air and core sensors in ice water and beside a reference thermometer; heat records "
            "name the day. Once a year is common practice",
            "pack_height_in": "Of a pack a fork lift sets in. Blank: each pile is built as one",
        }

    def clean_capacity_bf(self):
        return round(self.cleaned_data["capacity_bf"])

    def save(self, commit=True):
        if not self.instance.key:
            base = "-".join(woods.slug(self.instance.name).split("_"))[:44] or "chamber"
            taken = set(Chamber.objects.values_list("key", flat=True))
            self.instance.key = next(
                key for key in (base, *(f"{base}-{n}" for n in range(2, 99))) if key not in taken
            )
        return super().save(commit)


class TariffForm(ShopModelForm):
    class Meta:
        model = Tariff
        fields = "__all__"
        labels = {
            "energy_per_kwh": "Energy",
            "demand_per_kw": "Highest 15 minutes of the month",
            "on_peak_demand_per_kw": "Highest 15 minutes in on-peak periods",
            "fixed_per_month": "Fixed",
            "valid_from": "Holds from",
            "ratchet_pct": "At least this share of an earlier peak",
            "ratchet_months": "Looking back",
            "holidays": "Holidays priced as a Sunday",
        }
        widgets = {"holidays": forms.Textarea(attrs={"rows": 2})}
        help_texts = {
            "energy_per_kwh": "One price for every hour is enough: divide the last bill by its kWh. With periods "
            "below it is the price of all other hours.",
            "fixed_per_month": "Shown, but in no job's cost: it comes whatever runs.",
            "demand_per_kw": "0 unless the bill lists kW or demand.",
            "on_peak_demand_per_kw": "0 unless the bill lists it.",
            "ratchet_pct": "Some bills count no less than, say, 80 % of the highest of the 11 months before. "
            "0 if yours does not.",
            "holidays": "Only with hours below: the days the bill lists, such as 2026-11-26, 2026-12-25. Add next "
            "year's when the supplier prints them.",
        }

    units = {
        "energy_per_kwh": "$ per kWh",
        "demand_per_kw": "$ per kW a month",
        "on_peak_demand_per_kw": "$ per kW a month",
        "fixed_per_month": "$ a month",
        "ratchet_pct": "%",
        "ratchet_months": "months",
    }
    sections = [
        ("Price", ["name", "valid_from", "energy_per_kwh", "fixed_per_month"]),
        (
            "Demand, if the bill has it",
            ["demand_per_kw", "on_peak_demand_per_kw", "ratchet_pct", "ratchet_months"],
        ),
        ("Holidays, if the bill has them", ["holidays"]),
    ]

    def __init__(self, *args, **kwargs):
        super().__init__(*args, **kwargs)
        _in_currency(self)


class TariffPeriodForm(ShopModelForm):
    units = {"energy_per_kwh": "$ per kWh", "from_hour": ":00", "to_hour": ":00"}

    class Meta:
        model = TariffPeriod
        fields = [
            "name", "days", "from_hour", "to_hour", "first_month", "last_month", "energy_per_kwh", "on_peak",
        ]  # fmt: skip
        labels = {"energy_per_kwh": "Energy", "from_hour": "From", "to_hour": "To"}

    def __init__(self, *args, **kwargs):
        super().__init__(*args, **kwargs)
        _in_currency(self)


TariffPeriodRows = _rows(Tariff, TariffPeriod, TariffPeriodForm, extra=0)


def _in_currency(form) -> None:
    for field in form.fields.values():
        if getattr(field, "unit", "").startswith("$"):
            field.unit = units.active_shop().currency_symbol + field.unit[1:]


class RateCardForm(ShopModelForm):
    units = {
        "minimum_charge": "$",
        "chamber_day_rate": "$ a day",
        "chamber_day_cost": "$ a day",
        "heat_per_bf": "$ per bf",
        "pitch_per_bf": "$ per bf",
        "stacking_per_bf": "$ per bf",
        "stacking_cost_per_bf": "$ per bf",
        "storage_per_bf_week": "$ per bf a week",
        "storage_grace_days": "days",
        "deposit_pct": "%",
    }
    sections = [
        ("Card", ["name", "valid_from", "minimum_charge", "deposit_pct"]),
        ("Extras", ["heat_per_bf", "pitch_per_bf", "stacking_per_bf", "chamber_day_rate"]),
        ("Storage", ["storage_per_bf_week", "storage_grace_days"]),
        ("What it costs us, never printed", ["chamber_day_cost", "stacking_cost_per_bf"]),
    ]

    class Meta:
        model = RateCard
        fields = "__all__"
        labels = {
            "valid_from": "Holds from",
            "deposit_pct": "Deposit asked for",
            "storage_grace_days": "Free storage",
        }

    def __init__(self, *args, **kwargs):
        super().__init__(*args, **kwargs)
        _in_currency(self)


class RateForm(ShopModelForm):
    quantities = {"up_to_thickness_in": "length_in"}
    units = {"per_bf": "$"}

    class Meta:
        model = Rate
        fields = ["group", "up_to_thickness_in", "condition", "per_bf"]

    def __init__(self, *args, **kwargs):
        super().__init__(*args, **kwargs)
        _in_currency(self)


RateRows = _rows(RateCard, Rate, RateForm, extra=3)


class OwnSpeciesForm(ShopModelForm):
    units = {
        "green_mc_pct": "%",
        "shrinkage_tangential_pct": "%",
        "shrinkage_radial_pct": "%",
        "shrinkage_volumetric_pct": "%",
    }
    like_species = forms.ChoiceField(
        label="Dries like",
        required=False,
        choices=lambda: [("", "No published wood"), *_woods()],
        help_text="Its drying speed and schedule are taken over.",
    )

    class Meta:
        model = OwnSpecies
        exclude = ["key"]
        labels = {
            "green_mc_pct": "Green MC",
            "shrinkage_tangential_pct": "Shrinkage tangential",
            "shrinkage_radial_pct": "Shrinkage radial",
            "shrinkage_volumetric_pct": "Shrinkage volumetric",
            "specific_gravity_green": "Specific gravity (oven-dry weight, green volume)",
        }
        help_texts = {"source": "Where the figures come from."}


class OwnTreatmentForm(ShopModelForm):
    quantities = {"min_temperature_f": "temp_f"}
    units = {"min_minutes": "min"}

    class Meta:
        model = OwnTreatment
        exclude = ["key"]
        labels = {
            "min_temperature_f": "At or above",
            "min_minutes": "Without a break for",
            "measured_at": "Measured in",
        }
        help_texts = {"source": "Who asks for it, and where that is written."}


class OwnScheduleForm(ShopModelForm):
    steps = forms.CharField(widget=forms.Textarea(attrs={"rows": 8, "spellcheck": "false"}))

    class Meta:
        model = OwnSchedule
        fields = ["name", "source", "note", "steps"]

    def __init__(self, *args, **kwargs):
        super().__init__(*args, **kwargs)
        degree = units.unit("temp_f").symbol
        self.fields["steps"].help_text = (
            f"One step a line: from moisture %, dry bulb {degree}, wet bulb {degree}, such as “50 110 106”. The first "
            "step starts at 300. After the drying steps you may add “8 130 112 equalize” or “11 130 121 condition 24” "
            "(hours)."
        )
        if self.instance.pk:
            self.initial["steps"] = "\n".join(self._line(step) for step in self.instance.steps)

    @staticmethod
    def _line(step: list) -> str:
        temperatures = (f"{units.shown('temp_f', value):.1f}".removesuffix(".0") for value in step[1:3])
        rest = [] if step[3:4] in ([], ["dry"]) else [str(part) for part in step[3:] if part is not None]
        return " ".join([f"{step[0]:g}", *temperatures, *rest])

    def clean_steps(self):
        steps = []
        for number, line in enumerate(self.cleaned_data["steps"].splitlines(), 1):
            words = line.replace("%", " ").replace("\t", " ").replace(";", " ").split()
            if not words:
                continue
            if not 3 <= len(words) <= 5:
                raise ValidationError(
                    f"Line {number}: “{line.strip()}” needs moisture, dry bulb and wet bulb, such as 50 110 106."
                )
            try:
                moisture, dry, wet = (read_number(word) for word in words[:3])
                step = [
                    moisture,
                    round(units.stored("temp_f", dry), 2),
                    round(units.stored("temp_f", wet), 2),
                ]
                if len(words) > 3:
                    step.append(words[3].lower())
                if len(words) > 4:
                    step.append(read_number(words[4]))
                schedules.Step(*step)
            except ValueError as error:
                raise ValidationError(f"Line {number}: {error}") from None
            steps.append(step)
        return steps


class MeterForm(ShopForm):
    reading = forms.FloatField(min_value=0, max_value=100)
    wood_temp = QuantityField(quantity="temp_f", low=-22, high=185, required=False, label="Wood temperature")
    species = forms.ChoiceField(required=False, choices=lambda: [("", "Douglas-fir scale"), *_woods()])
    units = {"reading": "%"}

    def asked(self) -> dict:
        return {
            "wood_temp_f": self.cleaned_data["wood_temp"],
            "species_key": self.cleaned_data["species"] or None,
        }


def _woods() -> list[tuple[str, str]]:
    return sorted(((s.key, s.common_name) for s in woods.all_species()), key=lambda pair: pair[1])
