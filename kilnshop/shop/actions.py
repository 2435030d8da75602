"""What a shop does to its own set-up. The audit trail keeps who, when, before and after of each."""

from collections.abc import Iterable

from django.contrib.auth.password_validation import validate_password
from django.core.exceptions import ValidationError
from django.core.management import call_command
from django.db import models, transaction
from django.db.models import Max

from kilnshop.science import electricity, schedule_checks, schedules, treatments
from kilnshop.science import species as woods
from kilnshop.shop.electricity import period
from kilnshop.shop.models import (
    Chamber,
    Customer,
    OwnRow,
    OwnSchedule,
    OwnSpecies,
    OwnTreatment,
    Person,
    RateCard,
    Shop,
    Tariff,
    TariffPeriod,
)
from kilnshop.shop.roles import May, Role, require


def _check_password(password: str, person: Person) -> None:
    try:
        validate_password(password, person)
    except ValidationError as error:
        raise ValidationError({"password": error.messages}) from None


def _keep(row: models.Model) -> None:
    row.full_clean()
    row.save()


@transaction.atomic
def found_shop(
    *, shop_name: str, username: str, first_name: str, last_name: str, initials: str, password: str
) -> Person:
    """The shop's row, with the wording every new shop starts from, and its first owner. Refused once anybody exists."""
    if Person.objects.exists():
        raise ValidationError("This shop already has people; ask its owner for a sign-in.")
    if not Shop.objects.exists():
        call_command("loaddata", "new_shop", verbosity=0)
    shop = Shop.objects.get(pk=1)
    shop.name = shop_name
    _keep(shop)
    owner = Person(
        username=username, first_name=first_name, last_name=last_name, initials=initials, role=Role.OWNER
    )
    _check_password(password, owner)
    owner.set_password(password)
    _keep(owner)
    return owner


@transaction.atomic
def save_set_up(*, row: models.Model, by: Person) -> models.Model:
    """Keep the profile or a chamber."""
    require(by, May.SET_UP)
    _keep(row)
    return row


@transaction.atomic
def save_person(*, person: Person, password: str, by: Person) -> Person:
    """Keep a person; a new one needs a password. One active owner always stays."""
    require(by, May.SET_UP)
    others = Person.objects.filter(role=Role.OWNER, is_active=True).exclude(pk=person.pk)
    if not (person.role == Role.OWNER and person.is_active) and not others.exists():
        raise ValidationError(
            f"{person} is the only owner. Make somebody else an owner first, or nobody could change the set-up."
        )
    if password:
        _check_password(password, person)
        person.set_password(password)
    elif person.pk is None:
        raise ValidationError({"password": "A new person needs a password."})
    _keep(person)
    return person


@transaction.atomic
def save_customer(
    *, customer: Customer, rows: Iterable[models.Model], removed: Iterable[models.Model], by: Person
) -> Customer:
    """Keep a customer with its contacts and addresses."""
    require(by, May.EDIT_ORDERS)
    _keep(customer)
    for row in removed:
        row.delete()
    for row in rows:
        row.customer = customer
        _keep(row)
    return customer


@transaction.atomic
def save_rate_card(
    *, card: RateCard, rows: Iterable[models.Model], removed: Iterable[models.Model], by: Person
) -> RateCard:
    """Keep a rate card with its rates. Quotes already saved keep their own figures."""
    require(by, May.SET_UP)
    _keep(card)
    for row in removed:
        row.delete()
    for row in rows:
        row.card = card
        _keep(row)
    if not card.rates.exists():
        raise ValidationError("A rate card needs at least one rate per board foot.")
    return card


@transaction.atomic
def save_tariff(
    *, tariff: Tariff, periods: Iterable[TariffPeriod], removed: Iterable[models.Model], by: Person
) -> Tariff:
    """Keep a tariff with the hours that have prices of their own; no hour may have two."""
    require(by, May.SET_UP)
    _keep(tariff)
    for row in removed:
        row.delete()
    for row in periods:
        row.tariff = tariff
        _keep(row)
    kept = list(tariff.periods.all())
    clash = electricity.overlap([period(row) for row in kept])
    if clash:
        raise ValidationError(f"{clash}. Change the hours, days or months of one of them.")
    if tariff.on_peak_demand_per_kw and not any(row.on_peak for row in kept):
        raise ValidationError(
            "On-peak demand has a price but no period counts for it. Tick “Counts for on-peak demand” at one."
        )
    return tariff


def own_schedule(row: OwnSchedule) -> schedules.Schedule:
    """The shop's schedule as the science reads it. ValidationError naming the step that makes no sense."""
    steps = []
    for number, step in enumerate(row.steps, 1):
        try:
            steps.append(schedules.Step(*step))
        except (TypeError, ValueError) as error:
            raise ValidationError({"steps": f"Step {number}: {error}."}) from None
    return schedules.Schedule(row.key, row.name, tuple(steps), row.source, "our shop", row.note)


def _check_own(row: OwnRow) -> None:
    if isinstance(row, OwnSpecies):
        if row.like_species:
            try:
                row.like_species = woods.find(row.like_species).key
            except ValueError as error:
                raise ValidationError({"like_species": str(error)}) from None
        if woods.slug(row.common_name) in {woods.slug(s.common_name) for s in woods.all_species()}:
            raise ValidationError(
                {"common_name": f"“{row.common_name}” is already published; give yours a name of its own."}
            )
    elif isinstance(row, OwnSchedule):
        hottest = Chamber.objects.filter(active=True).aggregate(hottest=Max("max_dry_bulb_f"))["hottest"]
        shop = Shop.objects.filter(pk=1).first() or Shop()
        found = schedule_checks.problems(
            own_schedule(row), max_dry_bulb_f=hottest, elevation_ft=float(shop.elevation_ft)
        )
        if found:
            raise ValidationError({"steps": found})
    elif isinstance(row, OwnTreatment):
        try:
            treatments.Treatment(
                row.key,
                row.name,
                "",
                "core" if row.measured_at == "core" else "chamber air",
                row.min_temperature_f,
                float(row.min_minutes),
                True,
            )
        except ValueError as error:
            raise ValidationError(str(error)) from None


@transaction.atomic
def save_own(*, row: OwnRow, by: Person) -> OwnRow:
    """Keep one of the shop's own species, schedules or treatments, after the science has checked it."""
    require(by, May.SET_UP)
    if not row.key:
        name = row.common_name if isinstance(row, OwnSpecies) else row.name
        row.key = "own-" + (woods.slug(name).replace("_", "-") or "row")
        if type(row).objects.filter(key=row.key).exists():
            raise ValidationError(f"You already have a “{name}”; open it and change it, or use another name.")
    _check_own(row)
    _keep(row)
    return row
