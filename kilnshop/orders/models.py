"""Jobs: what a customer brought, lot by lot, what we quoted and what we promised."""

from decimal import Decimal

from django.conf import settings
from django.db import models
from django.db.models import F, Q

from kilnshop.science import schedules
from kilnshop.shop.models import ZERO, Customer, adds_up, at_least, between


class Order(models.Model):
    number = models.CharField(max_length=20, unique=True)
    customer = models.ForeignKey(Customer, models.PROTECT, related_name="orders")
    received_on = models.DateField()
    needed_by = models.DateField(null=True, blank=True)
    customer_reference = models.CharField(max_length=60, blank=True)
    notes = models.TextField(blank=True)
    cancelled_at = models.DateTimeField(null=True, blank=True)
    cancelled_why = models.CharField(max_length=200, blank=True)
    created_by = models.ForeignKey(settings.AUTH_USER_MODEL, models.PROTECT, related_name="+")

    class Meta:
        ordering = ["-received_on", "-id"]

    def __str__(self):
        return self.number


class Lot(models.Model):
    """One customer x species x thickness x moisture class: what is dried and handed back together."""

    class Basis(models.TextChoices):
        ROUGH = "rough", "Rough, actual size"
        DRESSED = "dressed", "Dressed, nominal size"

    class StartHow(models.TextChoices):
        OVEN_DRY = "oven_dry", "Oven-dry section"
        WEIGHED = "weighed", "Weighed sample board"
        PIN = "pin", "Pin meter"
        ASSUMED_GREEN = "assumed_green", "Assumed green for the species"
        ASSUMED_AIR_DRIED = "assumed_air_dried", "Assumed air-dried"

    class Stacks(models.TextChoices):
        SHOP = "shop", "We stack"
        CUSTOMER = "customer", "Customer stacks"

    order = models.ForeignKey(Order, models.CASCADE, related_name="lots")
    letter = models.CharField(max_length=2)
    species_key = models.CharField("species", max_length=60)
    thickness_label = models.CharField("thickness as called", max_length=12)
    thickness_in = models.DecimalField(
        "actual thickness", max_digits=6, decimal_places=4, validators=between(Decimal("0.25"), 16)
    )
    thickness_measured = models.BooleanField("thickness was measured on boards", default=False)
    nominal_thickness_in = models.DecimalField(
        max_digits=6, decimal_places=4, validators=between(Decimal("0.25"), 16)
    )
    width_in = models.DecimalField(
        "timber width",
        max_digits=6,
        decimal_places=3,
        null=True,
        blank=True,
        validators=between(Decimal("0.5"), 60),
    )
    basis = models.CharField(max_length=8, choices=Basis.choices, default=Basis.ROUGH)
    volume_bf = models.DecimalField(
        "board feet", max_digits=10, decimal_places=2, validators=[at_least(Decimal("0.01"))]
    )
    start_mc_pct = models.FloatField("starting MC", validators=between(4, 250))
    start_how = models.CharField("how it is known", max_length=18, choices=StartHow.choices)
    target_mc_pct = models.FloatField("target MC", default=7, validators=between(4, 30))
    tolerance_pct = models.FloatField("tolerance ±", default=1, validators=between(0.5, 6))
    treatments = models.JSONField(default=list, blank=True)
    schedule_code = models.CharField(
        "schedule", max_length=40, blank=True, help_text="Blank: the suggested one"
    )
    declared_value = models.DecimalField(
        max_digits=10, decimal_places=2, null=True, blank=True, validators=[at_least(0)]
    )
    stacks = models.CharField("who stacks", max_length=8, choices=Stacks.choices, default=Stacks.SHOP)
    condition = models.TextField("condition on arrival", blank=True)
    arrived_on = models.DateField(null=True, blank=True)
    yard_place = models.CharField(max_length=40, blank=True)
    notes = models.TextField(blank=True)

    class Meta:
        ordering = ["order", "letter"]
        constraints = [
            models.UniqueConstraint(fields=["order", "letter"], name="one_lot_a_letter"),
            models.CheckConstraint(
                condition=Q(target_mc_pct__lt=F("start_mc_pct")),
                name="lot_target_below_start",
                violation_error_message="The target MC must be below the starting MC.",
            ),
        ]

    def __str__(self):
        return f"{self.order.number}-{self.letter}"

    @property
    def tag(self) -> str:
        """Short enough for the end of a board: order and lot, such as 5A."""
        return f"{int(self.order.number.rsplit('-', 1)[-1])}{self.letter}"

    @property
    def finish(self) -> str:
        """How it is finished after drying, in words; empty when it is only dried."""
        return schedules.FINISHES.get(schedules.parted(self.schedule_code)[1], "")


class TallyLine(models.Model):
    """Pieces of one size; the tally, when there is one, is the board feet."""

    lot = models.ForeignKey(Lot, models.CASCADE, related_name="tally")
    pieces = models.PositiveIntegerField(validators=between(1, 100000))
    width_in = models.DecimalField(max_digits=6, decimal_places=3, validators=between(Decimal("0.5"), 80))
    length_ft = models.DecimalField(max_digits=6, decimal_places=3, validators=between(Decimal("0.5"), 60))

    class Meta:
        ordering = ["id"]


class LotPhoto(models.Model):
    lot = models.ForeignKey(Lot, models.CASCADE, related_name="photos")
    image = models.ImageField(upload_to="lots")
    caption = models.CharField(max_length=120, blank=True)
    taken_at = models.DateTimeField()
    by = models.ForeignKey(settings.AUTH_USER_MODEL, models.PROTECT, related_name="+")


class Quote(models.Model):
    """A revision of a quote, its figures frozen when saved; only the customer's decision is added later."""

    class Decision(models.TextChoices):
        ACCEPTED = "accepted", "Accepted"
        DECLINED = "declined", "Declined"

    class TallyBasis(models.TextChoices):
        GREEN = "green", "Green (incoming) tally"
        DRIED = "dried", "Dried (outgoing) tally"

    order = models.ForeignKey(Order, models.PROTECT, related_name="quotes")
    revision = models.PositiveSmallIntegerField()
    number = models.CharField(max_length=24, unique=True)
    issued_at = models.DateTimeField()
    issued_by = models.ForeignKey(settings.AUTH_USER_MODEL, models.PROTECT, related_name="+")
    valid_until = models.DateField()
    tally_basis = models.CharField(max_length=6, choices=TallyBasis.choices, default=TallyBasis.GREEN)
    ready_low = models.DateField()
    ready_high = models.DateField()
    subtotal = models.DecimalField(max_digits=12, decimal_places=2)
    tax = models.DecimalField(max_digits=12, decimal_places=2)
    total = models.DecimalField(max_digits=12, decimal_places=2)
    deposit = models.DecimalField(max_digits=12, decimal_places=2, default=ZERO)
    cost = models.DecimalField(
        max_digits=12, decimal_places=2, default=ZERO, help_text="Our expected cost: shop's eyes only"
    )
    figures = models.JSONField()
    decision = models.CharField(max_length=8, choices=Decision.choices, blank=True)
    decided_on = models.DateField(null=True, blank=True)
    decided_by = models.ForeignKey(
        settings.AUTH_USER_MODEL, models.PROTECT, null=True, blank=True, related_name="+"
    )
    decision_note = models.CharField(max_length=200, blank=True)

    class Meta:
        ordering = ["-issued_at", "-id"]
        constraints = [
            models.UniqueConstraint(fields=["order", "revision"], name="one_quote_a_revision"),
            models.UniqueConstraint(
                fields=["order"], condition=Q(decision="accepted"), name="one_accepted_quote_an_order"
            ),
            models.CheckConstraint(condition=adds_up(), name="quote_total_adds_up"),
        ]

    def __str__(self):
        return self.number


class QuoteLine(models.Model):
    class Kind(models.TextChoices):
        DRYING = "drying", "Drying"
        CHAMBER_DAYS = "chamber_days", "Chamber-days"
        MINIMUM = "minimum", "Minimum charge"
        HEAT = "heat", "Heat treatment"
        PITCH = "pitch", "Pitch setting"
        STACKING = "stacking", "Stacking"
        OTHER = "other", "Other"

    quote = models.ForeignKey(Quote, models.CASCADE, related_name="lines")
    position = models.PositiveSmallIntegerField()
    lot = models.ForeignKey(Lot, models.PROTECT, null=True, blank=True, related_name="quote_lines")
    kind = models.CharField(max_length=14, choices=Kind.choices)
    description = models.CharField(max_length=200)
    quantity = models.DecimalField(max_digits=12, decimal_places=3)
    unit = models.CharField(max_length=12)
    unit_price = models.DecimalField(max_digits=12, decimal_places=4)
    amount = models.DecimalField(max_digits=12, decimal_places=2)
    tax_rate_pct = models.DecimalField(max_digits=6, decimal_places=3, default=Decimal("0.000"))
    tax = models.DecimalField(max_digits=12, decimal_places=2, default=ZERO)

    class Meta:
        ordering = ["quote", "position"]


class Promise(models.Model):
    """A ready date given to the customer. The newest holds; the older ones tell how it moved."""

    order = models.ForeignKey(Order, models.CASCADE, related_name="promises")
    ready_on = models.DateField()
    made_at = models.DateTimeField()
    made_by = models.ForeignKey(
        settings.AUTH_USER_MODEL, models.PROTECT, null=True, blank=True, related_name="+"
    )
    why = models.CharField(max_length=200)

    class Meta:
        ordering = ["-made_at", "-id"]


class Message(models.Model):
    """What a customer was told about a moved promise, kept as it went out."""

    class How(models.TextChoices):
        EMAIL = "email", "By e-mail from here"
        HAND = "hand", "By telephone or from another mail program"

    promise = models.ForeignKey(Promise, models.PROTECT, related_name="messages")
    how = models.CharField(max_length=5, choices=How.choices)
    to = models.CharField(max_length=254, blank=True)
    subject = models.CharField(max_length=150)
    text = models.TextField()
    sent_at = models.DateTimeField()
    sent_by = models.ForeignKey(settings.AUTH_USER_MODEL, models.PROTECT, related_name="+")

    class Meta:
        ordering = ["-sent_at", "-id"]

    def __str__(self):
        return self.subject
