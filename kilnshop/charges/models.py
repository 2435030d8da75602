"""Kiln charges: what is in which chamber when, and what was read and done there."""

import uuid
from decimal import Decimal

from django.conf import settings
from django.db import models
from django.db.models import F, Q

from kilnshop.orders.models import Lot
from kilnshop.shop.models import Chamber, at_least, between

CHANNELS = range(1, 9)


class Charge(models.Model):
    number = models.CharField(max_length=20, unique=True)
    chamber = models.ForeignKey(Chamber, models.PROTECT, related_name="charges")
    schedule_code = models.CharField(max_length=40)
    plan = models.JSONField(
        help_text="The estimate as planned (science.estimate.Estimate.to_dict), frozen at start"
    )
    notes = models.TextField(blank=True)
    created_by = models.ForeignKey(settings.AUTH_USER_MODEL, models.PROTECT, related_name="+")
    started_at = models.DateTimeField(null=True, blank=True)
    dried_at = models.DateTimeField("finished drying", null=True, blank=True)
    unloaded_at = models.DateTimeField(null=True, blank=True)
    cancelled_at = models.DateTimeField(null=True, blank=True)
    step_index = models.PositiveSmallIntegerField(default=0)
    water_topped_up_at = models.DateTimeField(null=True, blank=True)
    drain_counts = models.BooleanField(
        "the drain has a counter",
        default=False,
        help_text="Condensate is read as a running total, not emptied from a bucket",
    )

    class Meta:
        ordering = ["-id"]
        constraints = [
            models.CheckConstraint(
                condition=Q(dried_at=None) | Q(started_at__lte=F("dried_at")), name="charge_dried_after_start"
            ),
            models.CheckConstraint(
                condition=Q(unloaded_at=None) | Q(dried_at__lte=F("unloaded_at")),
                name="charge_unloaded_after_dried",
            ),
            models.UniqueConstraint(
                fields=["chamber"],
                condition=Q(started_at__isnull=False, unloaded_at=None, cancelled_at=None),
                name="one_running_charge_a_chamber",
                violation_error_message="That chamber still holds a running charge.",
            ),
        ]

    def __str__(self):
        return self.number

    @property
    def state(self) -> str:
        if self.cancelled_at:
            return "cancelled"
        if self.unloaded_at:
            return "unloaded"
        if self.dried_at:
            return "dry"
        return "running" if self.started_at else "planned"


class ChargeLot(models.Model):
    """A lot in a charge. `open` is cleared when the charge is cancelled, so that the lot can be loaded again."""

    charge = models.ForeignKey(Charge, models.CASCADE, related_name="charge_lots")
    lot = models.ForeignKey(Lot, models.PROTECT, related_name="charge_lots")
    open = models.BooleanField(default=True)
    override_note = models.CharField(max_length=200, blank=True)
    pieces_out = models.PositiveIntegerField(null=True, blank=True)
    volume_out_bf = models.DecimalField(
        max_digits=10, decimal_places=2, null=True, blank=True, validators=[at_least(0)]
    )

    class Meta:
        ordering = ["lot"]
        constraints = [
            models.UniqueConstraint(fields=["charge", "lot"], name="lot_once_in_a_charge"),
            models.UniqueConstraint(fields=["lot"], condition=Q(open=True), name="lot_in_one_charge"),
        ]

    def __str__(self):
        return f"{self.lot} in charge {self.charge}"


class Booking(models.Model):
    """Days a chamber is taken, both ends included, by a charge or an outage. Triggers refuse any overlap."""

    chamber = models.ForeignKey(Chamber, models.PROTECT, related_name="bookings")
    first_day = models.DateField()
    last_day = models.DateField()
    likely_last_day = models.DateField(help_text="The expected finish; last_day is the high end")
    charge = models.OneToOneField(Charge, models.CASCADE, null=True, blank=True, related_name="booking")
    outage = models.CharField("reason for the outage", max_length=120, blank=True)

    class Meta:
        ordering = ["first_day"]
        constraints = [
            models.CheckConstraint(
                condition=Q(first_day__lte=F("last_day")), name="booking_ends_after_start"
            ),
            models.CheckConstraint(
                condition=Q(charge__isnull=False, outage="") | (Q(charge__isnull=True) & ~Q(outage="")),
                name="booking_is_charge_or_outage",
            ),
        ]

    def __str__(self):
        return f"charge {self.charge}" if self.charge_id else f"outage “{self.outage}”"


class Feed(models.Model):
    """A private address at which a calendar program reads a chamber, or the whole shop. Only a hash of its key is kept."""

    name = models.CharField("who reads it", max_length=60)
    chamber = models.ForeignKey(Chamber, models.CASCADE, null=True, blank=True, related_name="feeds")
    key_hash = models.CharField(max_length=64, unique=True)
    made_at = models.DateTimeField()
    made_by = models.ForeignKey(settings.AUTH_USER_MODEL, models.PROTECT, related_name="+")
    last_read_at = models.DateTimeField(null=True, blank=True)

    class Meta:
        ordering = ["name", "id"]

    def __str__(self):
        return self.name


class Checklist(models.Model):
    """A signed checklist with its text of that day; a skipped line carries its reason. Never changed."""

    class Kind(models.TextChoices):
        LOADING = "loading", "Loading"
        START = "start", "Before starting"
        DAILY = "daily", "Daily round"
        STEP = "step", "Step change"
        HEAT = "heat", "Heat stage"
        FINISH = "finish", "Finishing"
        UNLOAD = "unload", "Unloading"

    charge = models.ForeignKey(Charge, models.CASCADE, related_name="checklists")
    kind = models.CharField(max_length=8, choices=Kind.choices)
    lines = models.JSONField(help_text='[{"key", "text", "why", "caution", "done", "skipped_why"}, ...]')
    initials = models.CharField(max_length=4)
    signed_at = models.DateTimeField()
    signed_by = models.ForeignKey(settings.AUTH_USER_MODEL, models.PROTECT, related_name="+")

    class Meta:
        constraints = [
            models.UniqueConstraint(
                fields=["charge", "kind"],
                condition=Q(kind__in=["start", "finish", "unload"]),
                name="one_checklist_a_kind",
            )
        ]


class ListLine(models.Model):
    """What the shop changed in a checklist: a line of its own, or (without text) the place or hiding of one of ours."""

    kind = models.CharField(max_length=8, choices=Checklist.Kind)
    key = models.CharField(max_length=24)
    text = models.CharField(max_length=120, blank=True)
    why = models.CharField(max_length=200, blank=True)
    caution = models.BooleanField(default=False)
    place = models.PositiveSmallIntegerField()
    hidden_why = models.CharField(max_length=200, blank=True)

    class Meta:
        constraints = [
            models.UniqueConstraint(fields=["kind", "key"], name="one_line_a_key"),
            models.CheckConstraint(
                condition=Q(text="") | ~Q(why=""),
                name="own_line_has_its_reason",
                violation_error_message="Say why the line is there, so that a new helper learns it.",
            ),
        ]

    def __str__(self):
        return self.text or self.key


class Probe(models.Model):
    """What a channel of the charge measures and where it sits."""

    class Kind(models.TextChoices):
        MOISTURE = "mc", "Moisture (%)"
        CORE = "core", "Core temperature"

    charge = models.ForeignKey(Charge, models.CASCADE, related_name="probes")
    channel = models.PositiveSmallIntegerField(validators=between(1, 8))
    kind = models.CharField(max_length=4, choices=Kind.choices, default=Kind.MOISTURE)
    charge_lot = models.ForeignKey(ChargeLot, models.PROTECT, related_name="probes")
    board = models.CharField(max_length=40, blank=True)
    depth_in = models.FloatField(null=True, blank=True, validators=between(0, 8))
    position = models.CharField("where in the stack", max_length=60, blank=True)
    pin_length_in = models.FloatField(null=True, blank=True, validators=between(0.1, 8))
    scale_species = models.CharField(
        "meter is set to", max_length=60, blank=True, help_text="Blank: the coast Douglas-fir scale"
    )
    corrects_temperature = models.BooleanField("the meter corrects for temperature itself", default=False)
    temp_channel = models.PositiveSmallIntegerField(
        "wood temperature from channel", null=True, blank=True, validators=between(1, 8)
    )

    class Meta:
        ordering = ["charge", "channel"]
        constraints = [models.UniqueConstraint(fields=["charge", "channel"], name="one_probe_a_channel")]


class LogMapping(models.Model):
    """How the columns of a chamber's recorder are read; asked once, remembered."""

    chamber = models.OneToOneField(Chamber, models.CASCADE, related_name="log_mapping")
    mapping = models.JSONField()
    updated_at = models.DateTimeField(auto_now=True)


class LogImport(models.Model):
    """A recorder's file, or (without a file) what the recorder sent by itself. Undone, its readings are gone."""

    charge = models.ForeignKey(Charge, models.PROTECT, related_name="log_imports")
    file = models.FileField(upload_to="logs", blank=True)
    sha256 = models.CharField(max_length=64, blank=True)
    mapping = models.JSONField()
    rows_taken = models.PositiveIntegerField()
    rows_repeated = models.PositiveIntegerField(default=0)
    imported_at = models.DateTimeField()
    imported_by = models.ForeignKey(settings.AUTH_USER_MODEL, models.PROTECT, related_name="+")
    undone_at = models.DateTimeField(null=True, blank=True)
    undone_by = models.ForeignKey(
        settings.AUTH_USER_MODEL, models.PROTECT, null=True, blank=True, related_name="+"
    )
    undone_why = models.CharField(max_length=200, blank=True)

    class Meta:
        ordering = ["-imported_at"]
        constraints = [
            models.CheckConstraint(
                condition=Q(undone_at=None, undone_by=None, undone_why="")
                | Q(undone_at__isnull=False, undone_by__isnull=False) & ~Q(undone_why=""),
                name="import_undone_by_somebody_for_a_reason",
            ),
            models.UniqueConstraint(
                fields=["charge"], condition=Q(sha256=""), name="one_stream_of_sent_rows_a_charge"
            ),
        ]


class Recorder(models.Model):
    """The private address to which a chamber's recorder sends rows by itself. Only a hash of its key is kept."""

    chamber = models.OneToOneField(Chamber, models.CASCADE, related_name="recorder")
    key_hash = models.CharField(max_length=64, unique=True)
    made_at = models.DateTimeField()
    made_by = models.ForeignKey(settings.AUTH_USER_MODEL, models.PROTECT, related_name="+")
    last_sent_at = models.DateTimeField(null=True, blank=True)
    last_answer = models.CharField(max_length=300, blank=True)


class Reading(models.Model):
    """What was read at one moment, raw. Temperatures °F to 4 decimals (56 °C is 132.8); channels as the probe says.

    `entry` makes a reading typed on the phone and sent twice count once; a logged row counts once by its time.
    """

    charge = models.ForeignKey(Charge, models.PROTECT, related_name="readings", db_index=False)
    taken_at = models.DateTimeField()
    logged = models.ForeignKey(LogImport, models.PROTECT, null=True, blank=True, related_name="readings")
    by = models.ForeignKey(
        settings.AUTH_USER_MODEL, models.PROTECT, null=True, blank=True, related_name="+", db_index=False
    )
    entry = models.UUIDField(default=uuid.uuid4, unique=True, null=True, blank=True)
    dry_bulb_f = models.FloatField(null=True, blank=True, validators=between(-40, 250))
    wet_bulb_f = models.FloatField(null=True, blank=True, validators=between(-40, 212))
    ch1 = models.FloatField(null=True, blank=True)
    ch2 = models.FloatField(null=True, blank=True)
    ch3 = models.FloatField(null=True, blank=True)
    ch4 = models.FloatField(null=True, blank=True)
    ch5 = models.FloatField(null=True, blank=True)
    ch6 = models.FloatField(null=True, blank=True)
    ch7 = models.FloatField(null=True, blank=True)
    ch8 = models.FloatField(null=True, blank=True)
    condensate_lb = models.FloatField(null=True, blank=True, validators=between(0, 20000))
    meter_kwh = models.FloatField(null=True, blank=True, validators=between(0, 1e9))
    note = models.CharField(max_length=500, blank=True)
    photo = models.ImageField(upload_to="readings", blank=True)

    class Meta:
        ordering = ["taken_at"]
        indexes = [models.Index(fields=["charge", "taken_at"], name="reading_charge_time")]
        constraints = [
            models.UniqueConstraint(
                fields=["charge", "taken_at"], condition=Q(logged__isnull=False), name="logged_moment_once"
            ),
            models.CheckConstraint(
                condition=Q(wet_bulb_f=None) | Q(dry_bulb_f=None) | Q(wet_bulb_f__lte=F("dry_bulb_f")),
                name="reading_wet_bulb_not_above_dry_bulb",
                violation_error_message="The wet bulb cannot be above the dry bulb.",
            ),
        ]

    def channel(self, number: int) -> float | None:
        return getattr(self, f"ch{number}")


class Correction(models.Model):
    """A corrected value of one channel of one reading, kept beside the raw one. The newest holds."""

    reading = models.ForeignKey(Reading, models.CASCADE, related_name="corrections")
    channel = models.PositiveSmallIntegerField(validators=between(1, 8))
    value = models.FloatField(
        null=True, blank=True, help_text="Blank: out of the meter's range, see the verdict"
    )
    verdict = models.CharField(
        max_length=12,
        default="ok",
        choices=[
            ("ok", "Corrected"),
            ("over", "Over range"),
            ("below", "Below range"),
            ("open", "No contact"),
        ],
    )
    wood_temp_f = models.FloatField(null=True, blank=True)
    method = models.CharField(max_length=60)
    why = models.CharField(max_length=200, blank=True)
    at = models.DateTimeField()
    by = models.ForeignKey(
        settings.AUTH_USER_MODEL, models.PROTECT, null=True, blank=True, related_name="+", db_index=False
    )

    class Meta:
        ordering = ["reading", "channel", "-at"]

    def __str__(self):
        return f"of channel {self.channel}"


class SampleBoard(models.Model):
    """A board, or a whole pack, of a lot that is weighed through the charge."""

    class Kind(models.TextChoices):
        BOARD = "board", "Sample board"
        PACK = "pack", "Pack"

    charge_lot = models.ForeignKey(ChargeLot, models.PROTECT, related_name="samples")
    kind = models.CharField(max_length=5, choices=Kind.choices, default=Kind.BOARD)
    name = models.CharField(max_length=40)
    position = models.CharField("where in the stack", max_length=60, blank=True)

    class Meta:
        ordering = ["charge_lot", "kind", "name"]
        constraints = [
            models.UniqueConstraint(
                fields=["charge_lot", "name"],
                name="one_sample_a_name",
                violation_error_message="That lot has a sample of this name already. Give it another.",
            )
        ]

    def __str__(self):
        return self.name


class Weighing(models.Model):
    """A weight as the scale showed it. It never changes; a wrong one is set aside with a reason."""

    class Unit(models.TextChoices):
        LB = "lb", "lb"
        OZ = "oz", "oz"
        GRAM = "g", "g"
        KILOGRAM = "kg", "kg"

    sample = models.ForeignKey(SampleBoard, models.PROTECT, related_name="%(class)ss")
    at = models.DateTimeField()
    weight = models.FloatField(validators=between(0.001, 100_000))
    unit = models.CharField(max_length=2, choices=Unit.choices)
    by = models.ForeignKey(settings.AUTH_USER_MODEL, models.PROTECT, related_name="+")
    set_aside_why = models.CharField(max_length=200, blank=True)

    class Meta:
        abstract = True
        ordering = ["at", "id"]


class SampleCut(Weighing):
    """Where an oven-dry weight is estimated from: the sample's weight just after its sections were cut.

    A pack has no sections: its start moisture is the lot's, known to `start_sd_pct`.
    """

    start_mc_pct = models.FloatField(null=True, blank=True, validators=between(0, 300))
    start_sd_pct = models.FloatField(null=True, blank=True, validators=between(0, 100))


class SampleSection(models.Model):
    """A moisture section: weighed green at once, and again when the oven has dried it."""

    cut = models.ForeignKey(SampleCut, models.PROTECT, related_name="sections")
    green = models.FloatField(validators=between(0.001, 100_000))
    oven_dry = models.FloatField(null=True, blank=True, validators=between(0.001, 100_000))
    unit = models.CharField(max_length=2, choices=Weighing.Unit.choices)
    dried_at = models.DateTimeField(null=True, blank=True)
    dried_by = models.ForeignKey(
        settings.AUTH_USER_MODEL, models.PROTECT, null=True, blank=True, related_name="+"
    )

    class Meta:
        ordering = ["cut", "id"]
        constraints = [
            models.CheckConstraint(
                condition=Q(oven_dry=None) | Q(oven_dry__lte=F("green")),
                name="section_not_heavier_when_dry",
                violation_error_message="A section cannot weigh more oven-dry than green.",
            )
        ]


class SampleWeight(Weighing):
    """A later weight of a sample. `entry` makes one sent twice count once."""

    entry = models.UUIDField(default=uuid.uuid4, unique=True)
    note = models.CharField(max_length=200, blank=True)


class Event(models.Model):
    """Something done to a running charge: who, when, from, to, why."""

    class Kind(models.TextChoices):
        STEP = "step", "Step changed"
        WATER = "water", "Wet-bulb water topped up"
        MOVED = "moved", "Moved on the calendar"
        NOTE = "note", "Note"

    charge = models.ForeignKey(Charge, models.CASCADE, related_name="events")
    kind = models.CharField(max_length=8, choices=Kind.choices)
    at = models.DateTimeField()
    by = models.ForeignKey(settings.AUTH_USER_MODEL, models.PROTECT, related_name="+")
    before = models.JSONField(null=True, blank=True)
    after = models.JSONField(null=True, blank=True)
    why = models.CharField(max_length=300, blank=True)

    class Meta:
        ordering = ["-at", "-id"]


class Alert(models.Model):
    """A sign of trouble in the readings, open until a person records what was found.

    `lasting`: the newest readings still show it. While they do, a handled alert does not open again.
    """

    class Kind(models.TextChoices):  # in order of harm
        COMPRESSOR = "compressor", "Compressor above its limit"
        HOT = "hot", "Too hot"
        FAST = "fast", "Drying too fast"
        WICK = "wick", "Wet bulb in doubt"
        POWER = "power", "Gap in the log"
        DRAIN = "drain", "Drain stopped"
        MOULD = "mould", "Mould weather"
        HEAT_OFF = "heat_off", "Heat off"
        OFF_PLAN = "off_plan", "Air off plan"
        DOOR = "door", "Door opened"

    class Severity(models.TextChoices):
        STOP = "stop", "Stop"
        CAUTION = "caution", "Caution"
        NOTE = "note", "Note"

    charge = models.ForeignKey(Charge, models.CASCADE, related_name="alerts")
    kind = models.CharField(max_length=12, choices=Kind.choices)
    about = models.CharField("lot", max_length=40, blank=True)
    severity = models.CharField(max_length=8, choices=Severity.choices)
    text = models.CharField("what was seen", max_length=300)
    first_seen = models.DateTimeField()
    last_seen = models.DateTimeField()
    lasting = models.BooleanField(default=True)
    finding = models.CharField("what was found", max_length=300, blank=True)
    found_by = models.ForeignKey(
        settings.AUTH_USER_MODEL, models.PROTECT, null=True, blank=True, related_name="+"
    )
    found_at = models.DateTimeField(null=True, blank=True)

    class Meta:
        ordering = ["-first_seen", "-id"]
        constraints = [
            models.CheckConstraint(
                condition=Q(first_seen__lte=F("last_seen")), name="alert_first_seen_before_last"
            ),
            models.CheckConstraint(
                condition=Q(finding="", found_at=None, found_by=None)
                | (~Q(finding="") & Q(found_at__isnull=False, found_by__isnull=False)),
                name="alert_found_by_somebody",
            ),
            models.UniqueConstraint(
                fields=["charge", "kind", "about"],
                condition=Q(found_at=None),
                name="one_open_alert_a_kind",
            ),
        ]


class BoardTest(models.Model):
    """Final moisture of one board of a lot, at unloading, and its prong test where one was sawn."""

    class Prong(models.TextChoices):
        NONE = "none", "None"
        SLIGHT = "slight", "Slight"
        STRONG = "strong", "Strong"

    charge_lot = models.ForeignKey(ChargeLot, models.PROTECT, related_name="board_tests")
    board = models.CharField(max_length=40)
    raw_pct = models.FloatField(validators=between(0, 100))
    corrected_pct = models.FloatField(null=True, blank=True)
    method = models.CharField(max_length=60)
    meter = models.CharField(max_length=60, blank=True)
    correction = models.CharField(max_length=80)
    depth_in = models.FloatField(null=True, blank=True, validators=between(0, 8))
    wood_temp_f = models.FloatField(null=True, blank=True, validators=between(-20, 220))
    prong = models.CharField("casehardening by prong test", max_length=6, choices=Prong.choices, blank=True)
    measured_on = models.DateField()
    by = models.ForeignKey(settings.AUTH_USER_MODEL, models.PROTECT, related_name="+")

    class Meta:
        ordering = ["charge_lot", "id"]

    def __str__(self):
        return f"of board {self.board}"


class Degrade(models.Model):
    """Board feet of a lot that lost grade, by cause, as seen at unloading."""

    class Cause(models.TextChoices):
        BEFORE = "before", "Before arrival"
        STACKING = "stacking", "Stacking"
        DRYING = "drying", "Drying"
        HANDLING = "handling", "Handling"

    charge_lot = models.ForeignKey(ChargeLot, models.PROTECT, related_name="degrade")
    cause = models.CharField(max_length=8, choices=Cause.choices)
    volume_bf = models.DecimalField(max_digits=10, decimal_places=2, validators=[at_least(Decimal("0.01"))])
    note = models.CharField(max_length=200, blank=True)
    at = models.DateTimeField()
    by = models.ForeignKey(settings.AUTH_USER_MODEL, models.PROTECT, related_name="+")

    class Meta:
        ordering = ["charge_lot", "id"]
        verbose_name_plural = "degrade"
