"""What stands still: the shop, its people, customers, chambers, prices, and its own reference rows."""

import datetime as dt
import re
from decimal import Decimal

from django.contrib.auth.models import AbstractUser
from django.core.exceptions import ValidationError
from django.core.validators import MaxValueValidator, MinValueValidator
from django.db import models

from kilnshop.science.stack import Geometry
from kilnshop.shop.roles import ALLOWED, Role

ZERO = Decimal("0.00")
USUAL_AIR_FPM = 250.0  # through the stack, where the shop has entered nothing (common practice)


def at_least(value):
    return MinValueValidator(value)


def between(low, high):
    return [MinValueValidator(low), MaxValueValidator(high)]


def days_listed(text: str) -> frozenset[dt.date]:
    """Days written as 2026-11-26, parted by commas, spaces or lines."""
    words, found = re.split(r"[\s,;]+", text.strip()) if text.strip() else [], set()
    for word in words:
        try:
            found.add(dt.date.fromisoformat(word))
        except ValueError:
            raise ValidationError(f"“{word}” is not a day. Write each as 2026-11-26.") from None
    return frozenset(found)


def adds_up() -> models.Q:
    """total = subtotal + tax to the cent; SQLite adds decimals as binary floats, so not exactly."""
    total, half_cent = models.F("subtotal") + models.F("tax"), Decimal("0.005")
    return models.Q(total__gt=total - half_cent, total__lt=total + half_cent)


class Person(AbstractUser):
    """Somebody who signs in."""

    role = models.CharField(max_length=10, choices=Role.choices, default=Role.OPERATOR)
    initials = models.CharField(max_length=4, blank=True)

    def __str__(self):
        return self.get_full_name() or self.username

    def may(self, what: str) -> bool:
        return self.is_active and what in ALLOWED.get(self.role, frozenset())


class Shop(models.Model):
    """The shop itself: one row."""

    class Units(models.TextChoices):
        US = "us", "US customary (°F, in, lb, bf)"
        METRIC = "metric", "Metric (°C, mm, kg, m³)"

    class Paper(models.TextChoices):
        LETTER = "letter", "US Letter"
        A4 = "a4", "A4"

    name = models.CharField(max_length=80, default="Our kiln shop")
    address = models.TextField(blank=True)
    phone = models.CharField(max_length=40, blank=True)
    email = models.EmailField(blank=True)
    logo = models.ImageField(upload_to="logo", blank=True)
    tax_name = models.CharField(max_length=40, default="Sales tax")
    tax_rate_pct = models.DecimalField(
        max_digits=6, decimal_places=3, default=Decimal("0.000"), validators=between(0, 50)
    )
    quote_terms = models.TextField(blank=True)
    invoice_terms = models.TextField(blank=True)
    storage_advice = models.TextField(blank=True)
    currency_symbol = models.CharField(max_length=3, default="$")
    units = models.CharField(max_length=6, choices=Units.choices, default=Units.US)
    paper = models.CharField(max_length=6, choices=Paper.choices, default=Paper.LETTER)
    time_zone = models.CharField(max_length=50, default="America/New_York")
    order_prefix = models.CharField(max_length=6, default="O", blank=True)
    quote_prefix = models.CharField(max_length=6, default="Q", blank=True)
    charge_prefix = models.CharField(max_length=6, default="K", blank=True)
    ticket_prefix = models.CharField(max_length=6, default="T", blank=True)
    invoice_prefix = models.CharField(max_length=6, default="INV", blank=True)
    credit_prefix = models.CharField(max_length=6, default="CR", blank=True)
    quote_valid_days = models.PositiveSmallIntegerField(default=30, validators=between(1, 365))
    payment_days = models.PositiveSmallIntegerField(default=14, validators=between(0, 180))
    promise_margin_days = models.PositiveSmallIntegerField(default=2, validators=between(0, 60))
    reading_every_hours = models.PositiveSmallIntegerField(default=24, validators=between(1, 168))
    elevation_ft = models.IntegerField(default=500, validators=between(-300, 12000))
    outside_temp_f = models.JSONField(default=list, blank=True, help_text="Monthly means, January first, °F")
    outside_rh_pct = models.FloatField(default=65, validators=between(5, 100))
    learns = models.BooleanField("estimates use what finished charges taught", default=True)

    class Meta:
        constraints = [models.CheckConstraint(condition=models.Q(pk=1), name="one_shop")]

    def __str__(self):
        return self.name


class NumberSeries(models.Model):
    """The last number given out, by kind of paper and year. Locked while a number is taken, so no gaps."""

    kind = models.CharField(max_length=10)
    year = models.PositiveSmallIntegerField()
    last = models.PositiveIntegerField(default=0)

    class Meta:
        constraints = [models.UniqueConstraint(fields=["kind", "year"], name="one_series_a_year")]


class Customer(models.Model):
    name = models.CharField(max_length=120)
    notes = models.TextField(blank=True)
    is_house = models.BooleanField("our own stock", default=False)
    tax_exempt = models.BooleanField(default=False)
    exemption_number = models.CharField(max_length=60, blank=True)
    exemption_file = models.FileField(upload_to="exemptions", blank=True)
    exemption_expires = models.DateField(null=True, blank=True)

    class Meta:
        ordering = ["name"]
        constraints = [
            models.CheckConstraint(
                condition=models.Q(tax_exempt=False) | ~models.Q(exemption_number=""),
                name="exempt_customer_has_certificate_number",
                violation_error_message="A tax-exempt customer needs the certificate number.",
            )
        ]

    def __str__(self):
        return self.name

    @property
    def initials(self) -> str:
        """For a tag on the stack: IMJ of Ida Marsh Joinery."""
        return "".join(word[0] for word in self.name.split() if word[0].isalnum())[:4].upper()

    def exempt_on(self, day) -> bool:
        return self.tax_exempt and (self.exemption_expires is None or self.exemption_expires >= day)


class Contact(models.Model):
    customer = models.ForeignKey(Customer, models.CASCADE, related_name="contacts")
    name = models.CharField(max_length=120)
    role = models.CharField(max_length=60, blank=True)
    phone = models.CharField(max_length=40, blank=True)
    email = models.EmailField(blank=True)

    class Meta:
        ordering = ["id"]

    def __str__(self):
        return self.name


class Address(models.Model):
    class Kind(models.TextChoices):
        BILLING = "billing", "Billing"
        DELIVERY = "delivery", "Delivery"

    customer = models.ForeignKey(Customer, models.CASCADE, related_name="addresses")
    kind = models.CharField(max_length=10, choices=Kind.choices, default=Kind.BILLING)
    text = models.TextField("address")

    class Meta:
        ordering = ["kind", "id"]

    def __str__(self):
        return self.text


class Chamber(models.Model):
    """A kiln chamber and its dehumidifier, as the energy balance needs them."""

    class Door(models.TextChoices):
        FRONT = "front", "Along the side facing the machines"
        END = "end", "At one end"

    key = models.SlugField(unique=True)
    name = models.CharField(max_length=60)
    length_ft = models.FloatField("inside length", validators=between(3, 100))
    width_ft = models.FloatField("inside width", validators=between(3, 60))
    height_ft = models.FloatField("inside height", validators=between(3, 30))
    wall_r = models.FloatField("wall insulation (US R)", default=20, validators=between(1, 80))
    heater_kw = models.FloatField(default=3, validators=between(0, 200))
    fan_kw = models.FloatField("fan power", default=0.5, validators=between(0.01, 50))
    air_velocity_fpm = models.FloatField(
        "air speed through the stack", null=True, blank=True, validators=between(25, 1500)
    )
    fan_cfm = models.FloatField("air the fans move", null=True, blank=True, validators=between(50, 500_000))
    removal_lb_per_day = models.FloatField("dehumidifier rated removal", validators=between(1, 20000))
    removal_at_dry_bulb_f = models.FloatField(default=120, validators=between(60, 160))
    removal_at_rh_pct = models.FloatField(default=50, validators=between(20, 95))
    compressor_kw = models.FloatField(default=1.5, validators=between(0.1, 100))
    blower_kw = models.FloatField(default=0.15, validators=between(0, 20))
    lockout_dry_bulb_f = models.FloatField("compressor lock-out", default=125, validators=between(80, 200))
    max_dry_bulb_f = models.FloatField(
        "hottest the chamber may run", default=160, validators=between(80, 220)
    )
    has_humidifier = models.BooleanField(default=False)
    has_vents = models.BooleanField(default=True)
    unit_inside = models.BooleanField("dehumidifier stands in the heated space", default=True)
    leak_kg_per_h = models.FloatField(default=3.0, validators=between(0, 200))
    stack_length_ft = models.FloatField(validators=between(1, 100))
    stack_width_ft = models.FloatField(validators=between(1, 60))
    stack_height_ft = models.FloatField(validators=between(1, 30))
    units_deep = models.PositiveSmallIntegerField("units side by side", default=1, validators=between(1, 6))
    plenum_in = models.FloatField(
        "gap on the machine side", null=True, blank=True, validators=between(0, 240)
    )
    baffle_height_ft = models.FloatField(
        "height under the ceiling baffle", null=True, blank=True, validators=between(1, 30)
    )
    sticker_in = models.FloatField("sticker thickness", default=0.75, validators=between(0.25, 2))
    sticker_spacing_in = models.FloatField("sticker spacing", default=16, validators=between(6, 48))
    bolster_in = models.FloatField("bolster height", default=4, validators=between(0, 12))
    pack_height_in = models.FloatField("height of a pack", null=True, blank=True, validators=between(4, 120))
    door_at = models.CharField("main door", max_length=5, choices=Door.choices, default=Door.FRONT)
    capacity_bf = models.PositiveIntegerField("capacity in 4/4", validators=between(10, 200000))
    sensors_checked_on = models.DateField("sensors last checked against a reference", null=True, blank=True)
    active = models.BooleanField(default=True)

    class Meta:
        ordering = ["name"]

    def __str__(self):
        return self.name

    def clean(self):
        for stack, room in (
            ("stack_length_ft", "length_ft"),
            ("stack_width_ft", "width_ft"),
            ("stack_height_ft", "height_ft"),
        ):
            inner, outer = getattr(self, stack), getattr(self, room)
            if inner is not None and outer is not None and inner > outer:
                raise ValidationError(
                    {stack: f"{inner:g} ft is more than the {outer:g} ft inside the chamber."}
                )
        given = ("length_ft", "width_ft", "height_ft", "stack_length_ft", "stack_width_ft", "stack_height_ft")
        chosen = ("units_deep", "sticker_in", "sticker_spacing_in", "bolster_in")
        if None in {getattr(self, name) for name in (*given, *chosen)}:
            return  # said beside the field that is missing
        free_in = (self.width_ft - self.stack_width_ft) * 12
        if self.plenum_in is not None and self.plenum_in > free_in:
            raise ValidationError(
                {"plenum_in": f"{self.plenum_in:g} in is more than the {free_in:g} in beside the stack."}
            )
        if self.baffle_height_ft is not None and not (
            self.stack_height_ft <= self.baffle_height_ft <= self.height_ft
        ):
            raise ValidationError(
                {
                    "baffle_height_ft": f"{self.baffle_height_ft:g} ft is not between the stack's height and the ceiling."
                }
            )
        above_in = self.stack_height_ft * 12 - self.bolster_in
        if self.pack_height_in is not None and self.pack_height_in > above_in:
            raise ValidationError(
                {
                    "pack_height_in": f"{self.pack_height_in:g} in is more than the {above_in:g} in above the bolsters."
                }
            )
        if above_in < 4:
            raise ValidationError(
                {"bolster_in": f"{self.bolster_in:g} in leaves no room for wood in a stack this high."}
            )

    @property
    def geometry(self) -> Geometry:
        """The stack as the science takes it."""
        return Geometry(
            inside_length_ft=self.length_ft,
            inside_width_ft=self.width_ft,
            inside_height_ft=self.height_ft,
            length_ft=self.stack_length_ft,
            width_ft=self.stack_width_ft,
            height_ft=self.stack_height_ft,
            units_deep=self.units_deep,
            plenum_in=self.plenum_in,
            baffle_height_ft=self.baffle_height_ft,
            sticker_in=self.sticker_in,
            sticker_spacing_in=self.sticker_spacing_in,
            bolster_in=self.bolster_in,
            pack_height_in=self.pack_height_in,
            fan_cfm=self.fan_cfm,
            door=self.door_at,
        )

    @property
    def air_fpm(self) -> float:
        """Air speed the estimate takes: the entered one, else a full stack's from the fans, else the usual one."""
        return self.air_velocity_fpm or self.geometry.full_air_fpm() or USUAL_AIR_FPM


class Tariff(models.Model):
    """Electricity prices from a date on."""

    name = models.CharField(max_length=80)
    valid_from = models.DateField()
    energy_per_kwh = models.DecimalField(max_digits=8, decimal_places=5, validators=[at_least(0)])
    demand_per_kw = models.DecimalField(
        max_digits=8, decimal_places=3, default=Decimal("0.000"), validators=[at_least(0)]
    )
    fixed_per_month = models.DecimalField(
        max_digits=8, decimal_places=2, default=ZERO, validators=[at_least(0)]
    )
    on_peak_demand_per_kw = models.DecimalField(
        max_digits=8, decimal_places=3, default=Decimal("0.000"), validators=[at_least(0)]
    )
    ratchet_pct = models.PositiveSmallIntegerField(default=0, validators=between(0, 100))
    ratchet_months = models.PositiveSmallIntegerField(default=0, validators=between(0, 24))
    holidays = models.TextField("days priced as a Sunday", blank=True, validators=[days_listed])

    class Meta:
        ordering = ["-valid_from", "-id"]
        constraints = [
            models.CheckConstraint(
                condition=models.Q(ratchet_pct=0, ratchet_months=0)
                | models.Q(ratchet_pct__gt=0, ratchet_months__gt=0),
                name="ratchet_has_share_and_months",
                violation_error_message="A share of an earlier peak needs both: the percent and the months it "
                "looks back. Leave both at 0 if the bill has none.",
            )
        ]

    def __str__(self):
        return f"{self.name} from {self.valid_from}"

    @property
    def holiday_dates(self) -> frozenset[dt.date]:
        return days_listed(self.holidays)

    @property
    def bills_demand(self) -> bool:
        return bool(self.demand_per_kw or self.on_peak_demand_per_kw)


class TariffPeriod(models.Model):
    """Hours with a price of their own; outside every period the tariff's own energy price holds."""

    class Days(models.TextChoices):
        EVERY = "every", "Every day"
        WEEKDAYS = "weekdays", "Monday to Friday"
        WEEKEND = "weekend", "Saturday and Sunday"

    class Month(models.IntegerChoices):
        JANUARY, FEBRUARY, MARCH, APRIL, MAY, JUNE = range(1, 7)
        JULY, AUGUST, SEPTEMBER, OCTOBER, NOVEMBER, DECEMBER = range(7, 13)

    tariff = models.ForeignKey(Tariff, models.CASCADE, related_name="periods")
    name = models.CharField(max_length=40)
    first_month = models.PositiveSmallIntegerField("from month", choices=Month.choices, default=Month.JANUARY)
    last_month = models.PositiveSmallIntegerField(
        "to month, included", choices=Month.choices, default=Month.DECEMBER
    )
    days = models.CharField(max_length=8, choices=Days.choices, default=Days.WEEKDAYS)
    from_hour = models.PositiveSmallIntegerField(validators=between(0, 23))
    to_hour = models.PositiveSmallIntegerField(validators=between(1, 24))
    energy_per_kwh = models.DecimalField(max_digits=8, decimal_places=5, validators=[at_least(0)])
    on_peak = models.BooleanField("counts for on-peak demand", default=False)

    class Meta:
        ordering = ["tariff", "first_month", "from_hour", "id"]
        constraints = [
            models.CheckConstraint(
                condition=~models.Q(from_hour=models.F("to_hour")),
                name="period_has_hours",
                violation_error_message="It begins and ends at the same hour. For the whole day write 0 to 24.",
            )
        ]

    def __str__(self):
        return self.name


class RateCard(models.Model):
    """What drying costs a customer, from a date on."""

    name = models.CharField(max_length=80)
    valid_from = models.DateField()
    minimum_charge = models.DecimalField(
        max_digits=9, decimal_places=2, default=ZERO, validators=[at_least(0)]
    )
    chamber_day_rate = models.DecimalField(
        "price of a whole chamber-day", max_digits=9, decimal_places=2, default=ZERO, validators=[at_least(0)]
    )
    chamber_day_cost = models.DecimalField(
        "what a chamber-day costs us", max_digits=9, decimal_places=2, default=ZERO, validators=[at_least(0)]
    )
    heat_per_bf = models.DecimalField(
        "heat treatment surcharge",
        max_digits=8,
        decimal_places=4,
        default=Decimal("0.0000"),
        validators=[at_least(0)],
    )
    pitch_per_bf = models.DecimalField(
        "pitch setting surcharge",
        max_digits=8,
        decimal_places=4,
        default=Decimal("0.0000"),
        validators=[at_least(0)],
    )
    stacking_per_bf = models.DecimalField(
        "stacking labour", max_digits=8, decimal_places=4, default=Decimal("0.0000"), validators=[at_least(0)]
    )
    stacking_cost_per_bf = models.DecimalField(
        "what stacking costs us",
        max_digits=8,
        decimal_places=4,
        default=Decimal("0.0000"),
        validators=[at_least(0)],
    )
    storage_per_bf_week = models.DecimalField(
        "storage after the grace period",
        max_digits=8,
        decimal_places=4,
        default=Decimal("0.0000"),
        validators=[at_least(0)],
    )
    storage_grace_days = models.PositiveSmallIntegerField(default=14)
    deposit_pct = models.DecimalField(
        max_digits=5, decimal_places=2, default=ZERO, validators=between(0, 100)
    )

    class Meta:
        ordering = ["-valid_from", "-id"]

    def __str__(self):
        return f"{self.name} from {self.valid_from}"


class Rate(models.Model):
    """One price of a rate card; the most particular matching row wins."""

    class Condition(models.TextChoices):
        ANY = "any", "Any"
        GREEN = "green", "Green (above 30 %)"
        PART_DRY = "part_dry", "Partly dry (20-30 %)"
        AIR_DRY = "air_dry", "Air-dried (20 % or less)"

    class Group(models.TextChoices):
        ANY = "any", "Any species"
        SLOW_HARDWOOD = "slow_hardwood", "Slow hardwood (oak, hickory, beech)"
        HARDWOOD = "hardwood", "Other hardwood"
        SOFTWOOD = "softwood", "Softwood"

    card = models.ForeignKey(RateCard, models.CASCADE, related_name="rates")
    group = models.CharField(max_length=14, choices=Group.choices, default=Group.ANY)
    up_to_thickness_in = models.DecimalField(
        "up to thickness",
        max_digits=5,
        decimal_places=3,
        default=Decimal("1.500"),
        validators=between(Decimal("0.25"), 16),
    )
    condition = models.CharField(max_length=10, choices=Condition.choices, default=Condition.ANY)
    per_bf = models.DecimalField("per board foot", max_digits=8, decimal_places=4, validators=[at_least(0)])

    class Meta:
        ordering = ["card", "up_to_thickness_in", "group", "condition"]
        constraints = [
            models.UniqueConstraint(
                fields=["card", "group", "up_to_thickness_in", "condition"], name="one_rate_a_case"
            )
        ]

    def __str__(self):
        return f"{self.get_group_display()}, up to {self.up_to_thickness_in:g} in, {self.get_condition_display()}"


class OwnRow(models.Model):
    """Base of the shop's own reference rows, which stand beside the published ones."""

    key = models.SlugField(unique=True)
    source = models.CharField(max_length=200, default="our shop")
    note = models.TextField(blank=True)

    class Meta:
        abstract = True
        ordering = ["key"]


class OwnSpecies(OwnRow):
    common_name = models.CharField(max_length=60, unique=True)
    group = models.CharField(max_length=8, choices=[("hardwood", "Hardwood"), ("softwood", "Softwood")])
    specific_gravity_green = models.FloatField(validators=between(0.1, 1.3))
    green_mc_pct = models.FloatField(null=True, blank=True, validators=between(5, 300))
    shrinkage_tangential_pct = models.FloatField(null=True, blank=True, validators=between(0, 25))
    shrinkage_radial_pct = models.FloatField(null=True, blank=True, validators=between(0, 20))
    shrinkage_volumetric_pct = models.FloatField(null=True, blank=True, validators=between(0, 35))
    like_species = models.CharField("dries like", max_length=60, blank=True)

    class Meta(OwnRow.Meta):
        abstract = False
        verbose_name_plural = "own species"

    def __str__(self):
        return self.common_name


class OwnSchedule(OwnRow):
    name = models.CharField(max_length=80)
    steps = models.JSONField(help_text="[[from_mc_pct, dry_bulb_f, wet_bulb_f], ...]")

    def __str__(self):
        return self.name


class OwnTreatment(OwnRow):
    name = models.CharField(max_length=80)
    measured_at = models.CharField(
        max_length=12, choices=[("core", "Core of the wood"), ("air", "Chamber air")]
    )
    min_temperature_f = models.FloatField(validators=between(90, 220))
    min_minutes = models.PositiveIntegerField(validators=between(1, 20160))

    def __str__(self):
        return self.name


class Learned(models.Model):
    """What the shop's finished charges taught about one kind of figure; worked out anew from its evidence."""

    class Kind(models.TextChoices):
        SPEED = "speed", "Drying speed"
        REMOVAL = "removal", "Dehumidifier removal"
        HEAT_LOSS = "heat_loss", "Heat loss"

    kind = models.CharField(max_length=10, choices=Kind.choices, unique=True)
    result = models.JSONField(help_text="science.learning.Learned.to_dict")
    evidence = models.JSONField(
        default=list, blank=True, help_text="Per charge: what counted, what was set aside and why"
    )
    worked_out_at = models.DateTimeField()

    def __str__(self):
        return self.get_kind_display()
